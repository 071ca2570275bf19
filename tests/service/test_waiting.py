"""A run that waits for a person: for as long as it may, across restarts, and only as long as it may."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from service.errors import IllegalMove
from service.hooks import RunHooks
from service.run_record import Run
from service.runs import Work
from service.stations import Station
from service.wiring import Wiring
from tests.service.bench_of_straw import capture, straw_wiring
from tests.service.test_engine import watching


class Guided:
    """Work of two steps with a person between them; notes what it did at the bench."""

    def __init__(self, limit_s: float = 3600.0) -> None:
        self.limit_s = limit_s
        self.did: list[str] = []

    def __call__(self, _at: Station, _run: Run, hooks: RunHooks) -> dict[str, Any]:
        if hooks.kept("shot 1") is None:
            self.did.append("shot 1")
            hooks.note("shot 1", {"received_hex": ""})
            hooks.keep(capture(), "shot 1")
        answer = hooks.ask({"text": "Put probe 1 on the reference terminal"}, self.limit_s)
        self.did.append(f"after {answer.get('text')}")
        return {"schema": 1, "verdict": "pass", "findings": []}


def guided(folder: Path, work: Work, **more: Any) -> Wiring:
    """A service whose checks are guided."""
    return straw_wiring(folder, more={"work": {"check": work}, **more})


def ask(wiring: Wiring) -> Run:
    return wiring.intake.request("check", wiring.station("north-1"), {})


def wait_for(wiring: Wiring, run: Run, state: str) -> Run:
    """Woken by the journal."""
    news = threading.Event()
    with wiring.journal.watched(lambda _about: news.set()):
        for _ in range(2000):
            news.clear()
            now = wiring.store.read(run.id)
            if now.state == state:
                return now
            assert not now.settled, now.error
            news.wait(0.01)
    raise AssertionError(f"the run never came to {state}: {wiring.store.read(run.id)}")


@pytest.fixture
def started(tmp_path: Path) -> Any:
    wirings: list[Wiring] = []

    def start(work: Guided, **more: Any) -> Wiring:
        wiring = guided(tmp_path, work, **more)
        wiring.engine.start()
        wirings.append(wiring)
        return wiring

    yield start
    for wiring in wirings:
        wiring.engine.close()


def test_the_run_waits_says_for_what_and_goes_on_after_the_answer(started: Callable[..., Wiring]) -> None:
    """What was captured before is not taken again; the answer reaches the work."""
    work = Guided()
    wiring = started(work)
    run = wait_for(wiring, ask(wiring), "waiting")
    assert run.waiting_for is not None
    assert run.waiting_for["text"] == "Put probe 1 on the reference terminal"
    assert run.waiting_for["until"] > run.created_at
    wiring.engine.proceed(run.id, {"text": "moved"})
    done = wait_for(wiring, run, "done")
    assert (done.verdict, done.waiting_for, done.captures) == ("pass", None, ("shot 1",))
    assert work.did == ["shot 1", "after moved"]
    assert [e["event"] for _, e in wiring.store.events(run.id)].count("answered") == 1


def test_the_station_belongs_to_the_waiting_run(started: Callable[..., Wiring]) -> None:
    """Somebody is moving its probes: nothing else is begun there, by the service or by a command."""
    wiring = started(Guided())
    run = wait_for(wiring, ask(wiring), "waiting")
    other = ask(wiring)
    at = wiring.station("north-1")
    for _ in range(200):
        if wiring.tools.locks.holder(at.scope):
            break
        threading.Event().wait(0.01)
    assert wiring.tools.locks.holder(at.scope) is not None
    assert wiring.engine.active_on("north-1") == run.id
    assert wiring.engine.queue_of("north-1") == (other.id,)
    wiring.engine.cancel(other.id)
    wiring.engine.cancel(run.id)
    wait_for(wiring, run, "cancelled")


def test_it_goes_on_waiting_after_a_restart(tmp_path: Path) -> None:
    """Hours later, with another process: the prompt is still there, and so is what was captured."""
    first = Guided()
    before = guided(tmp_path, first)
    before.engine.start()
    run = wait_for(before, ask(before), "waiting")
    before.engine.close()
    assert before.store.read(run.id).state == "waiting"
    second = Guided()
    after = guided(tmp_path, second)
    after.engine.start()
    assert after.store.read(run.id).state == "waiting"
    after.engine.proceed(run.id, {})
    assert wait_for(after, run, "done").captures == ("shot 1",)
    after.engine.close()
    assert (first.did, second.did) == (["shot 1"], ["after None"])


def test_an_answer_that_came_while_nobody_worked_counts(tmp_path: Path) -> None:
    """The service was down, or another process took the answer."""
    before = guided(tmp_path, Guided())
    before.engine.start()
    run = wait_for(before, ask(before), "waiting")
    before.engine.close()
    guided(tmp_path, Guided()).engine.proceed(run.id, {"text": "moved"})
    work = Guided()
    after = guided(tmp_path, work)
    after.engine.start()
    wait_for(after, run, "done")
    after.engine.close()
    assert work.did == ["after moved"]


def test_nobody_waits_for_ever(tmp_path: Path) -> None:
    """After its own limit the run ends in an error that says so, by the clock of the service."""
    now = [datetime(2027, 1, 12, 6, 31, tzinfo=UTC)]
    wiring = guided(tmp_path, Guided(limit_s=7200), clock=lambda: now[0])
    wiring.engine.start()
    run = wait_for(wiring, ask(wiring), "waiting")
    assert run.waiting_for is not None
    assert run.waiting_for["until"] == "2027-01-12T08:31:00.000Z"
    now[0] += timedelta(hours=2, seconds=1)
    with watching(wiring) as wait:
        error = wait(run.id).error
    wiring.engine.close()
    assert error is not None
    assert error["type"] == "/problems/nobody-came"


def test_only_a_waiting_run_takes_an_answer_and_only_one(started: Callable[..., Wiring]) -> None:
    """Twice pressed is once answered."""
    wiring = started(Guided())
    run = wait_for(wiring, ask(wiring), "waiting")
    wiring.engine.proceed(run.id, {})
    with pytest.raises(IllegalMove, match="waits for nobody"):
        wiring.engine.proceed(run.id, {})
    wait_for(wiring, run, "done")
    with pytest.raises(IllegalMove, match="is done"):
        wiring.engine.proceed(run.id, {})
