"""A job that is dropped while it is at work: its run leaves the bench or ends well, nobody waits in vain."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from service import doing, durable
from service import tables as t
from service.doing import job_of
from service.durable import DurableEngine
from service.run_record import Run
from service.stop_signal import BenchTime
from service.wiring import Wiring
from tests.service.bench_of_straw import StrawEchoTest, straw_wiring
from tests.service.test_engine import ask, watching
from tests.service.test_locks import other_program

Drop = Callable[[Wiring, DurableEngine, Run], object]


@pytest.fixture
def place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[tuple[Wiring, StrawEchoTest, DurableEngine]]:
    """A service that waits for no lock at all and looks for lost jobs never: nothing is mended by chance."""
    monkeypatch.setattr(durable, "RECONCILE_BEATS", 1 << 30)
    echo = StrawEchoTest(gated=True)
    wiring = straw_wiring(tmp_path, echo, lock_wait_s=0)
    wiring.engine.start()
    assert isinstance(wiring.engine, DurableEngine)
    yield wiring, echo, wiring.engine
    for _ in range(9):
        echo.let_go.release()
    wiring.close()


@contextmanager
def waiting_for_lock(wiring: Wiring) -> Iterator[Callable[[Run], str]]:
    """Gives a function that waits until the run says whom it waits for, woken by the journal."""
    news = threading.Condition()

    def wake(_about: str) -> None:
        with news:
            news.notify_all()

    def said(run: Run) -> list[str]:
        return [e["message"] for _, e in wiring.store.events(run.id) if e.get("step") == "wait"]

    def wait(run: Run) -> str:
        with news:
            assert news.wait_for(lambda: said(run), timeout=20), wiring.store.read(run.id)
        return said(run)[0]

    with wiring.journal.watched(wake):
        yield wait


def cancel_the_job(_wiring: Wiring, engine: DurableEngine, run: Run) -> None:
    engine._jobs.drop(job_of(run))


def delete_the_job(_wiring: Wiring, engine: DurableEngine, run: Run) -> None:
    engine._jobs.forget([job_of(run)])


@pytest.mark.parametrize("drop", [cancel_the_job, delete_the_job])
def test_the_next_run_waits_for_the_bench_however_long_and_is_done(
    place: tuple[Wiring, StrawEchoTest, DurableEngine], drop: Drop
) -> None:
    """The library begins it at once, since the lane is free; the bench is not. It once failed as `in use`."""
    wiring, echo, engine = place
    with watching(wiring) as wait, waiting_for_lock(wiring) as wait_for_lock:
        first = ask(wiring)
        echo.wait_at_work()
        drop(wiring, engine, first)
        second, third = ask(wiring, text="Tide 8"), ask(wiring, text="Tide 9")
        assert "until it is free" in wait_for_lock(second)
        for _ in range(3):
            echo.let_go.release()
        assert [wait(run.id).state for run in (first, second, third)] == ["done"] * 3
    assert [payload for _, payload in echo.seen] == [b"Tide 7", b"Tide 8", b"Tide 9"]
    assert echo.most_together == {"north-1": 1}


def move_the_run(wiring: Wiring, engine: DurableEngine, run: Run) -> None:
    """As an operator does when the worker was silent for long; here it lives after all."""
    wiring.journal.move(run.id, "queued", job=run.job, message="taken from its worker")
    engine._put_anew(wiring.store.read(run.id))


def give_it_another_job(_wiring: Wiring, engine: DurableEngine, run: Run) -> None:
    engine._put_anew(run)


@pytest.mark.parametrize("change", [move_the_run, give_it_another_job])
def test_a_run_that_another_job_does_by_now_is_left_at_once_and_no_one_waits_for_ever(
    place: tuple[Wiring, StrawEchoTest, DurableEngine], change: Drop
) -> None:
    """The old job leaves the bench without a word in the run's record; the new one does it, then the next."""
    wiring, echo, engine = place
    with watching(wiring) as wait:
        first = ask(wiring)
        echo.wait_at_work()
        second = ask(wiring, text="Tide 8")
        change(wiring, engine, first)
        echo.wait_at_work()
        echo.let_go.release()
        echo.let_go.release()
        after, following = wait(first.id), wait(second.id)
    assert (after.state, following.state) == ("done", "done")
    assert after.job > first.job
    states = [e["state"] for _, e in wiring.store.events(first.id) if e["event"] == "state"]
    assert "error" not in states
    assert "cancelled" not in states
    assert echo.most_together == {"north-1": 1}


def test_a_run_that_ended_elsewhere_is_left_at_once(
    place: tuple[Wiring, StrawEchoTest, DurableEngine],
) -> None:
    """Its worker was taken for gone; nobody lets the old work go, and still the next run gets the bench."""
    wiring, echo, engine = place
    with watching(wiring) as wait:
        first = ask(wiring)
        echo.wait_at_work()
        engine._end_without_worker(wiring.store.read(first.id), "its worker is gone")
        second = ask(wiring, text="Tide 8")
        echo.wait_at_work()
        echo.let_go.release()
        assert wait(second.id).state == "done"
    assert wiring.store.read(first.id).state == "cancelled"
    assert echo.most_together == {"north-1": 1}


def test_a_run_that_was_thrown_away_while_at_work_is_left_and_the_others_are_still_looked_at(
    place: tuple[Wiring, StrawEchoTest, DurableEngine],
) -> None:
    """One row that is missing must not blind the keeper to what was asked of the runs after it."""
    wiring, echo, _engine = place
    with watching(wiring) as wait:
        first = ask(wiring)
        echo.wait_at_work()
        other = ask(wiring, "south-1")
        echo.wait_at_work()
        throw_away(wiring, first)
        wiring.store.change(other.id, lambda _now: {"stop_reason": "asked by another process"})
        assert wait(other.id).state == "cancelled"
        second = ask(wiring, text="Tide 8")
        echo.wait_at_work()
        echo.let_go.release()
        assert wait(second.id).state == "done"


def throw_away(wiring: Wiring, run: Run) -> None:
    """By hand, in the database: the service itself throws away nothing that is at work."""
    with wiring.store.database.changing() as connection:
        for table in (t.captures, t.events):
            connection.execute(sa.delete(table).where(table.c.run_id == run.id))
        connection.execute(sa.delete(t.runs).where(t.runs.c.id == run.id))


def test_a_run_waits_in_its_queue_while_a_command_has_the_station_and_that_is_no_time_at_the_bench(
    place: tuple[Wiring, StrawEchoTest, DurableEngine], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever works at a terminal for long does not fail one queued run after the other."""
    began: list[float] = []

    def bench_time(limit_s: float, over: Callable[[], None], **more: Any) -> BenchTime:
        began.append(limit_s)
        return BenchTime(limit_s, over, **more)

    monkeypatch.setattr(doing, "BenchTime", bench_time)
    wiring, echo, _engine = place
    scope = wiring.station("north-1").scope
    with watching(wiring) as wait, waiting_for_lock(wiring) as wait_for_lock:
        with other_program(wiring.settings.locks, scope) as child:
            run = ask(wiring)
            words = wait_for_lock(run)
            assert "benchwarden echo north-1" in words
            assert str(child.pid) in words
            assert wiring.store.read(run.id).state == "queued"
            assert began == []
        echo.wait_at_work()
        assert len(began) == 1
        echo.let_go.release()
        assert wait(run.id).state == "done"


@pytest.mark.parametrize("how", ["cancel", "close"])
def test_a_run_that_waits_for_a_station_in_use_can_be_cancelled_and_keeps_no_service_from_closing(
    place: tuple[Wiring, StrawEchoTest, DurableEngine], how: str
) -> None:
    """Closed, it keeps its place in the queue."""
    wiring, echo, engine = place
    engine._close_grace_s = 3600.0
    scope = wiring.station("north-1").scope
    with other_program(wiring.settings.locks, scope), waiting_for_lock(wiring) as wait_for_lock:
        run = ask(wiring)
        wait_for_lock(run)
        if how == "cancel":
            wiring.engine.cancel(run.id)
        wiring.engine.close()
    assert wiring.store.read(run.id).state == {"cancel": "cancelled", "close": "queued"}[how]
    assert echo.seen == []
