"""A job whose end was never recorded (the disk was full) blocks its station for two looks, no longer."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa

from service import durable
from service.doing import job_of
from service.durable import DurableEngine
from service.run_record import Run
from service.wiring import Wiring
from tests.service.bench_of_straw import StrawEchoTest, straw_wiring
from tests.service.test_engine import ask, watching


@pytest.fixture
def place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[tuple[Wiring, StrawEchoTest, DurableEngine]]:
    """A service whose keeper looks for such jobs only when the test says so."""
    monkeypatch.setattr(durable, "RECONCILE_BEATS", 1 << 30)
    echo = StrawEchoTest(gated=True)
    wiring = straw_wiring(tmp_path, echo)
    wiring.engine.start()
    assert isinstance(wiring.engine, DurableEngine)
    yield wiring, echo, wiring.engine
    wiring.close()


def recorded(engine: DurableEngine, job: str) -> bool:
    return job not in engine._jobs.at_work()


def wait_recorded(engine: DurableEngine, job: str) -> None:
    """The library records a job's end a moment after the run's: looked for until then."""
    pause = threading.Event()
    for _ in range(2000):
        if recorded(engine, job):
            return
        pause.wait(0.01)
    raise AssertionError(f"{job} was never recorded as ended")


def forget_end(wiring: Wiring, job: str) -> None:
    """What a full disk leaves behind: the library's row says that the job is still being done."""
    jobs = sa.create_engine(wiring.settings.jobs_url)
    with jobs.begin() as connection:
        done = connection.execute(
            sa.text(
                "UPDATE workflow_status SET status = 'PENDING', output = NULL WHERE workflow_uuid = :job"
            ),
            {"job": job},
        )
        assert done.rowcount == 1
    jobs.dispose()


def one_run(wiring: Wiring, echo: StrawEchoTest, text: str) -> Run:
    with watching(wiring) as wait:
        run = ask(wiring, text=text)
        echo.let_go.release()
        return wait(run.id)


def test_a_forgotten_job_gives_its_station_free_at_the_second_look(
    place: tuple[Wiring, StrawEchoTest, DurableEngine],
) -> None:
    """The first look only suspects it: between a run's end and that of its job there is always a moment."""
    wiring, echo, engine = place
    first = one_run(wiring, echo, "Tide 7")
    wait_recorded(engine, job_of(first))
    forget_end(wiring, job_of(first))
    echo.at_work.acquire(blocking=False)
    with watching(wiring) as wait:
        second = ask(wiring, text="Tide 8")
        engine._end_forgotten_jobs()
        assert not recorded(engine, job_of(first)), "dropped at the first look"
        engine._end_forgotten_jobs()
        assert recorded(engine, job_of(first))
        echo.wait_at_work()
        echo.let_go.release()
        assert wait(second.id).state == "done"
    assert [payload for _, payload in echo.seen] == [b"Tide 7", b"Tide 8"], "the first one was done again"
    assert wiring.store.read(first.id) == first


def test_a_job_that_is_being_done_is_never_taken_for_forgotten(
    place: tuple[Wiring, StrawEchoTest, DurableEngine],
) -> None:
    """However often it is looked at."""
    wiring, echo, engine = place
    with watching(wiring) as wait:
        run = ask(wiring)
        echo.wait_at_work()
        for _ in range(3):
            engine._end_forgotten_jobs()
        assert not recorded(engine, job_of(run))
        echo.let_go.release()
        assert wait(run.id).state == "done"
    assert len(echo.seen) == 1


def test_a_look_that_was_only_suspicious_is_forgotten_when_the_end_is_recorded_after_all(
    place: tuple[Wiring, StrawEchoTest, DurableEngine],
) -> None:
    """A job that is suspected once, and ends, and another one later, are not taken together."""
    wiring, echo, engine = place
    first = one_run(wiring, echo, "Tide 7")
    wait_recorded(engine, job_of(first))
    forget_end(wiring, job_of(first))
    engine._end_forgotten_jobs()
    engine._jobs.drop(job_of(first))
    engine._end_forgotten_jobs()
    forget_end(wiring, job_of(first))
    engine._end_forgotten_jobs()
    assert not recorded(engine, job_of(first))
    engine._end_forgotten_jobs()
    assert recorded(engine, job_of(first))
