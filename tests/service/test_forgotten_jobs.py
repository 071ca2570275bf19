"""A job whose end was never recorded (the disk was full) blocks its station for two looks, no longer."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa

from service import durable
from service.doing import job_of
from service.durable import DurableEngine
from service.errors import StoreFailed
from service.run_record import Run, new_run, utc_now
from service.wiring import Wiring
from service.workers import Workers
from tests.service.bench_of_straw import StrawEchoTest, straw_wiring
from tests.service.test_engine import ask, watching
from tests.service.test_workers import silence


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


def forget_end(wiring: Wiring, job: str, worker: str | None = None) -> None:
    """What a full disk or a kill leaves behind: the library's row says that the job is still being done."""
    jobs = sa.create_engine(wiring.settings.jobs_url)
    with jobs.begin() as connection:
        done = connection.execute(
            sa.text(
                "UPDATE workflow_status SET status = 'PENDING', output = NULL,"
                " executor_id = coalesce(:worker, executor_id) WHERE workflow_uuid = :job"
            ),
            {"job": job, "worker": worker},
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
        engine._forgotten.end()
        assert not recorded(engine, job_of(first)), "dropped at the first look"
        engine._forgotten.end()
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
            engine._forgotten.end()
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
    engine._forgotten.end()
    engine._jobs.drop(job_of(first))
    engine._forgotten.end()
    forget_end(wiring, job_of(first))
    engine._forgotten.end()
    assert not recorded(engine, job_of(first))
    engine._forgotten.end()
    assert recorded(engine, job_of(first))


GONE = "pc-9/a"
"""Another worker for all stations, on another host."""


def of_gone_worker(wiring: Wiring) -> Workers:
    """It said that it lives, a moment ago."""
    workers = Workers(wiring.store.database)
    workers.begin(GONE, None)
    return workers


def test_a_job_that_a_worker_took_up_and_was_killed_before_it_came_to_the_bench_is_done_by_another(
    place: tuple[Wiring, StrawEchoTest, DurableEngine],
) -> None:
    """And those behind it, in their order; while that worker lives the job is its own."""
    wiring, echo, engine = place
    workers = of_gone_worker(wiring)
    with watching(wiring) as wait:
        ask(wiring)
        echo.wait_at_work()
        taken, behind = ask(wiring, text="Tide 8"), ask(wiring, text="Tide 9")
        forget_end(wiring, job_of(taken), GONE)
        for _ in range(3):
            engine._reconcile()
        assert engine._jobs.at_work()[job_of(taken)] == GONE, "taken from a worker that lives"
        silence(workers, GONE)
        for _ in range(2):
            engine._reconcile()
        for _ in range(3):
            echo.let_go.release()
        assert (wait(taken.id).state, wait(behind.id).state) == ("done", "done")
    assert [payload for _, payload in echo.seen] == [b"Tide 7", b"Tide 8", b"Tide 9"]


def test_a_worker_that_was_killed_between_the_end_of_a_run_and_that_of_its_job_blocks_no_station(
    place: tuple[Wiring, StrawEchoTest, DurableEngine],
) -> None:
    """Nothing is left to do of such a job, whoever had it."""
    wiring, echo, engine = place
    first = one_run(wiring, echo, "Tide 7")
    wait_recorded(engine, job_of(first))
    silence(of_gone_worker(wiring), GONE)
    forget_end(wiring, job_of(first), GONE)
    with watching(wiring) as wait:
        second = ask(wiring, text="Tide 8")
        for _ in range(2):
            engine._reconcile()
        echo.let_go.release()
        assert wait(second.id).state == "done"
    assert wiring.store.read(first.id) == first


def test_a_run_that_a_killed_worker_was_at_stays_with_it_until_an_operator_decides(
    place: tuple[Wiring, StrawEchoTest, DurableEngine],
) -> None:
    """Nobody here knows what is wired to that bench now."""
    wiring, _echo, engine = place
    wiring.engine.close()
    first = wiring.journal.begin(new_run("echo-test", "north-1", {}, utc_now(), origin="service"))
    engine._jobs.open()
    engine._put(first)
    wiring.journal.move(first.id, "running", worker=GONE)
    silence(of_gone_worker(wiring), GONE)
    forget_end(wiring, job_of(first), GONE)
    for _ in range(3):
        engine._forgotten.end()
    assert engine._jobs.at_work() == {job_of(first): GONE}
    engine._jobs.close()


def test_a_full_disk_is_no_mistake_in_the_keeper_and_a_mistake_is_told_as_one(
    place: tuple[Wiring, StrawEchoTest, DurableEngine], caplog: pytest.LogCaptureFixture
) -> None:
    """It goes on either way; a traceback stands only where somebody should mend the program."""
    _wiring, _echo, engine = place

    def raises(error: Exception) -> Callable[[], None]:
        def work() -> None:
            raise error

        return work

    engine._quietly(raises(StoreFailed("the database refused: disk is full")))
    assert [(r.levelname, r.exc_info) for r in caplog.records if "disk is full" in r.message] == [
        ("WARNING", None)
    ]
    engine._quietly(raises(ZeroDivisionError("odd")))
    assert "a mistake in the engine's keeper" in caplog.text
