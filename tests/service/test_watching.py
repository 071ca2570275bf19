"""A run that watches the bench while it waits for a person: goes on by itself, survives, stops at once."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from drivers.errors import NotReachable, RequestError
from service import doing, watching
from service.errors import IllegalMove
from service.hooks import Look, RunHooks
from service.run_record import Run
from service.stations import Station
from service.stop_signal import BenchTime
from service.wiring import Wiring
from tests.service.bench_of_straw import capture
from tests.service.test_engine import watching as watching_engine
from tests.service.test_waiting import ask, guided, wait_for


class Stopwatch:
    """Time that only the test moves, and what happens when it has come."""

    def __init__(self) -> None:
        self._now = 0.0
        self._due: list[tuple[float, threading.Timer]] = []

    def read(self) -> float:
        return self._now

    def timer(self, after_s: float, then: Callable[[], None]) -> threading.Timer:
        """Started by its owner like any; it may be cancelled, and goes off when the test has moved so far."""
        timer = threading.Timer(3600.0, then)
        self._due.append((self._now + after_s, timer))
        return timer

    def forward(self, seconds: float) -> None:
        self._now += seconds
        for at, timer in self._due:
            if at <= self._now and not timer.finished.is_set():
                timer.cancel()
                timer.function()


STEP = {"text": "Put probe 1 on the reference terminal", "step": 1, "caution": "Ground first."}


class Bench:
    """What the looks of a run see; the test plays the person."""

    def __init__(self, limit_s: float = 3600.0) -> None:
        self.limit_s = limit_s
        self.there = threading.Event()
        self.fails: Exception | None = None
        self.looks = 0
        self.did: list[str] = []

    def look(self) -> Look:
        self.looks += 1
        if self.fails is not None:
            raise self.fails
        if self.there.is_set():
            return Look("a square of 5 V", {"amplitude_v": 5.0}, seen=True)
        return Look(f"nothing yet ({self.looks})", {"amplitude_v": 0.0})

    def __call__(self, _at: Station, _run: Run, hooks: RunHooks) -> dict[str, Any]:
        if hooks.kept("before") is None:
            self.did.append("before")
            hooks.note("before", {"received_hex": ""})
            hooks.keep(capture(), "before")
        answer = hooks.watch(STEP, self.limit_s, self.look, 0.01)
        self.did.append(f"by {answer['by']}")
        second = hooks.watch({"text": "Put it back", "step": 2}, self.limit_s, self.look, 0.01)
        said = second["text"] if second["by"] == "person" else ""
        self.did.append(f"then by {second['by']} {said}".strip())
        return {"schema": 1, "verdict": "pass", "findings": []}


@pytest.fixture(autouse=True)
def _every_look_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(watching, "TOLD_EVERY_S", 0.0)


@pytest.fixture
def started(tmp_path: Path) -> Any:
    wirings: list[Wiring] = []

    def start(work: Any, **more: Any) -> Wiring:
        wiring = guided(tmp_path, work, **more)
        wiring.engine.start()
        wirings.append(wiring)
        return wiring

    yield start
    for wiring in wirings:
        wiring.engine.close()


def wait_until(wiring: Wiring, run: Run, there: Callable[[Run], bool]) -> Run:
    """Woken by the journal, as `wait_for`."""
    news = threading.Event()
    with wiring.journal.watched(lambda _about: news.set()):
        for _ in range(2000):
            news.clear()
            now = wiring.store.read(run.id)
            if there(now):
                return now
            assert not now.settled, now.error
            news.wait(0.01)
    raise AssertionError(f"never came: {wiring.store.read(run.id)}")


def at_step(number: int) -> Callable[[Run], bool]:
    return lambda run: run.waiting_for is not None and run.waiting_for.get("step") == number


def test_it_goes_on_by_itself_when_the_signal_is_seen(started: Callable[..., Wiring]) -> None:
    """Nobody has to press anything: both hands are at the probe."""
    bench = Bench()
    wiring = started(bench)
    run = wait_until(wiring, ask(wiring), at_step(1))
    bench.there.set()
    done = wait_for(wiring, run, "done")
    assert bench.did == ["before", "by bench", "then by bench"]
    assert [answer["text"] for answer in done.answers] == ["a square of 5 V"] * 2
    assert done.waiting_for is None


def test_what_is_seen_now_stands_in_the_run_and_in_its_events(started: Callable[..., Wiring]) -> None:
    """The prompt with its caution and step stays; the look is beside it."""
    bench = Bench()
    wiring = started(bench)
    run = wait_until(wiring, ask(wiring), lambda r: bool(r.waiting_for and "look" in r.waiting_for))
    assert run.state == "waiting"
    assert run.waiting_for is not None
    assert run.waiting_for["text"] == STEP["text"]
    assert run.waiting_for["caution"] == "Ground first."
    assert run.waiting_for["look"]["text"].startswith("nothing yet")
    assert run.waiting_for["look"]["values"] == {"amplitude_v": 0.0}
    bench.there.set()
    wait_for(wiring, run, "done")
    looks = [e for _, e in wiring.store.events(run.id) if e["event"] == "look"]
    assert [look["seen"] for look in looks[-2:]] == [True, True]
    assert looks[0]["text"] == "nothing yet (1)"


def test_a_person_may_go_on_without_the_signal(started: Callable[..., Wiring]) -> None:
    """`continue` counts for the step that is shown, once."""
    bench = Bench()
    wiring = started(bench)
    run = wait_until(wiring, ask(wiring), at_step(1))
    wiring.engine.proceed(run.id, {"text": "no terminal here"})
    wait_until(wiring, run, at_step(2))
    wiring.engine.proceed(run.id, {"text": "it is back"})
    wait_for(wiring, run, "done")
    assert bench.did == ["before", "by person", "then by person it is back"]
    with pytest.raises(IllegalMove):
        wiring.engine.proceed(run.id, {})


def test_it_is_cancelled_at_once(started: Callable[..., Wiring]) -> None:
    """However long nobody came."""
    wiring = started(Bench())
    run = wait_until(wiring, ask(wiring), at_step(1))
    wiring.engine.cancel(run.id)
    cancelled = wait_for(wiring, run, "cancelled")
    assert cancelled.waiting_for is None
    assert wiring.tools.locks.holder(wiring.station("north-1").scope) is None


def test_it_watches_on_after_the_service_was_closed_and_opened_again(tmp_path: Path) -> None:
    """It stays `waiting` in between; neither the step that was done nor a capture is repeated."""
    first = Bench()
    before = guided(tmp_path, first)
    before.engine.start()
    run = wait_until(before, ask(before), at_step(1))
    before.engine.proceed(run.id, {})
    run = wait_until(before, run, at_step(2))
    assert run.waiting_for is not None
    until = run.waiting_for["until"]
    before.engine.close()
    between = before.store.read(run.id)
    assert (between.state, between.waiting_for is None) == ("waiting", False)
    second = Bench()
    after = guided(tmp_path, second)
    after.engine.start()
    run = wait_until(after, run, lambda r: at_step(2)(r) and second.looks > 0)
    assert run.waiting_for is not None
    assert run.waiting_for["until"] == until
    second.there.set()
    done = wait_for(after, run, "done")
    after.engine.close()
    assert second.did == ["by person", "then by bench"]
    assert done.captures == ("before",)


def test_an_answer_that_came_while_nobody_worked_counts(tmp_path: Path) -> None:
    """Another process took it."""
    before = guided(tmp_path, Bench())
    before.engine.start()
    run = wait_until(before, ask(before), at_step(1))
    before.engine.close()
    guided(tmp_path, Bench()).engine.proceed(run.id, {"text": "moved"})
    bench = Bench()
    bench.there.set()
    after = guided(tmp_path, bench)
    after.engine.start()
    wait_for(after, run, "done")
    after.engine.close()
    assert bench.did == ["by person", "then by bench"]


def test_nobody_is_watched_for_for_ever(tmp_path: Path) -> None:
    """By the clock of the service, over its own limit."""
    now = [datetime(2027, 1, 12, 6, 31, tzinfo=UTC)]
    wiring = guided(tmp_path, Bench(limit_s=600), clock=lambda: now[0])
    wiring.engine.start()
    run = wait_until(wiring, ask(wiring), at_step(1))
    now[0] += timedelta(seconds=601)
    with watching_engine(wiring) as wait:
        error = wait(run.id).error
    wiring.engine.close()
    assert error is not None
    assert error["type"] == "/problems/nobody-came"


def test_waiting_costs_none_of_the_time_at_the_bench(
    started: Callable[..., Wiring], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A run that may be at the bench for ten seconds waits for an hour, and may."""
    watch = Stopwatch()
    monkeypatch.setattr(doing, "BenchTime", partial(BenchTime, clock=watch.read, timer=watch.timer))
    bench = Bench()
    wiring = started(bench)
    run = wiring.intake.request("check", wiring.station("north-1"), {}, limit_s=10.0)
    wait_until(wiring, run, lambda r: at_step(1)(r) and bench.looks > 0)
    watch.forward(3600.0)
    bench.there.set()
    wait_for(wiring, run, "done")


def test_the_time_at_the_bench_adds_up_around_the_waiting() -> None:
    """Nine seconds before the person came and two after are more than ten, whatever lies between."""
    watch = Stopwatch()
    ended: list[float] = []
    limit = BenchTime(10.0, lambda: ended.append(watch.read()), clock=watch.read, timer=watch.timer)
    watch.forward(9.0)
    with limit.paused():
        watch.forward(3600.0)
    assert ended == []
    watch.forward(2.0)
    assert ended == [3611.0]


def test_a_scope_that_is_switched_over_meanwhile_is_waited_for(started: Callable[..., Wiring]) -> None:
    """It is said, and the run goes on when it is back."""
    bench = Bench()
    bench.fails = NotReachable("the scope of north-1 does not answer", address="TCPIP::127.0.0.1::1::SOCKET")
    wiring = started(bench)
    run = wait_until(wiring, ask(wiring), lambda r: bool(r.waiting_for and "look" in r.waiting_for))
    assert run.waiting_for is not None
    assert "does not answer" in run.waiting_for["look"]["text"]
    bench.there.set()
    bench.fails = None
    wait_for(wiring, run, "done")


def test_what_the_scope_cannot_do_is_no_matter_of_waiting(started: Callable[..., Wiring]) -> None:
    """A look that asks for a channel that is not there would fail for ever."""
    bench = Bench()
    bench.fails = RequestError("no channel 3")
    wiring = started(bench)
    run = ask(wiring)
    with watching_engine(wiring) as wait:
        error = wait(run.id).error
    assert error is not None
    assert error["detail"] == "no channel 3"
