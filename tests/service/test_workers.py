"""Several workers on one database: each its own stations, and what an operator may do when one is gone."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from service import tables as t
from service.database import Database
from service.engine import Post
from service.errors import IllegalMove, StationTaken, WorkerRuns
from service.plans import Send
from service.run_record import Run, new_run, utc_now
from service.wiring import Wiring, post_of
from service.workers import ALL, Workers, name_for, pool_named, sole
from tests.service.bench_of_straw import StrawEchoTest, straw_wiring
from tests.service.test_engine import watching


@pytest.fixture
def workers(database: str) -> Iterator[Workers]:
    opened = Database(database)
    yield Workers(opened)
    opened.close()


def silence(workers: Workers, worker: str, seconds: float = 60.0) -> None:
    """As if the worker had not been heard of for so long."""
    with workers.database.changing() as connection:
        change = sa.update(t.workers).where(t.workers.c.id == worker)
        connection.execute(change.values(seen_at=t.workers.c.seen_at - seconds))


def test_a_worker_is_alive_until_it_was_silent_for_long(workers: Workers) -> None:
    """Its stations show who does them, and that nobody does just now."""
    workers.begin("pc-1/a", ["north-1"])
    assert workers.of(["north-1", "south-1"])["north-1"].alive
    assert "south-1" not in workers.of(["north-1", "south-1"])
    silence(workers, "pc-1/a", 19)
    assert workers.alive("pc-1/a")
    silence(workers, "pc-1/a", 2)
    assert not workers.of(["north-1"])["north-1"].alive
    workers.beat("pc-1/a")
    assert workers.alive("pc-1/a")
    workers.end("pc-1/a")
    assert not workers.alive("pc-1/a")


def test_a_station_without_a_worker_of_its_own_is_done_by_the_general_one(workers: Workers) -> None:
    """And its jobs go into the general pool."""
    workers.begin("pc-0/serve", None)
    workers.begin("pc-1/a", ["north-1"])
    found = workers.of(["north-1", "south-1"])
    assert {name: worker.id for name, worker in found.items()} == {
        "north-1": "pc-1/a",
        "south-1": "pc-0/serve",
    }
    assert (workers.pool_of("north-1"), workers.pool_of("south-1")) == (pool_named("pc-1/a"), ALL)


def test_a_station_is_not_taken_from_a_living_worker(workers: Workers) -> None:
    """It is from one that is gone; and a worker that comes back with fewer stations gives the others up."""
    assert workers.begin("pc-1/a", ["north-1", "north-2"]) == ["north-1", "north-2"]
    with pytest.raises(StationTaken, match="pc-1/a"):
        workers.begin("pc-2/b", ["north-2"])
    assert workers.begin("pc-1/a", ["north-1", "north-2"]) == []
    silence(workers, "pc-1/a")
    assert workers.begin("pc-2/b", ["north-2"]) == ["north-2"]
    assert workers.begin("pc-1/a", ["north-1"]) == []
    assert workers.pool_of("north-2") == pool_named("pc-2/b")
    workers.release("north-2")
    assert workers.pool_of("north-2") == ALL


def test_one_worker_name_is_one_process_on_a_host(tmp_path: Path) -> None:
    """Two of one name would take up each other's runs as left behind."""
    with sole("pc-1/a", "sqlite:///x", tmp_path):
        with pytest.raises(WorkerRuns, match="--name"), sole("pc-1/a", "sqlite:///x", tmp_path):
            pass
        with sole("pc-1/b", "sqlite:///x", tmp_path), sole("pc-1/a", "sqlite:///y", tmp_path):
            pass


def test_the_same_stations_make_the_same_name() -> None:
    """In whatever order they are named: so a restart finds what was left behind."""
    assert name_for(["north-1", "south-1"]).split("-")[-1] == name_for(["south-1", "north-1"]).split("-")[-1]
    assert name_for(["north-1"]) != name_for(["north-2"])
    assert name_for(None) == "serve"


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Callable[..., Wiring]]:
    """`office(...)`: a started service on the same data; only one in a process may work."""
    with ExitStack() as stack:

        def start(echo: StrawEchoTest | None = None, post: Post | None = None, **given: Any) -> Wiring:
            wiring = straw_wiring(tmp_path, echo, more={"post": post} if post else {}, **given)
            wiring.engine.start()
            stack.callback(wiring.engine.close)
            return wiring

        yield start


def ask(wiring: Wiring, station: str = "north-1", text: str = "Tide 7", **more: Any) -> Run:
    return wiring.intake.request_echo_test(station, Send(text=text), **more)


def test_a_service_without_a_worker_takes_requests_and_a_worker_elsewhere_does_them(
    office: Callable[..., Wiring], tmp_path: Path
) -> None:
    """Two processes' worth of parts in one: only the second one works."""
    desk = office(worker=False)
    runs = [ask(desk), ask(desk, "south-1")]
    bench = straw_wiring(tmp_path)
    post = post_of(bench.settings, ["north-1"])
    echo = StrawEchoTest()
    worker = straw_wiring(tmp_path, echo, more={"post": post})
    with watching(worker) as wait:
        worker.engine.start()
        assert wait(runs[0].id).worker == post.worker
    assert desk.engine.queue_of("south-1") == (runs[1].id,)
    worker.engine.close()
    assert [name for name, _ in echo.seen] == ["north-1"]


def test_the_queue_of_a_station_follows_it_to_its_new_worker(
    office: Callable[..., Wiring], tmp_path: Path
) -> None:
    """In its order; nothing is done twice."""
    desk = office(worker=False)
    runs = [ask(desk, text=f"Tide {n}") for n in range(3)]
    echo = StrawEchoTest()
    post = replace(post_of(desk.settings, ["north-1"]), sole_folder=None)
    worker = straw_wiring(tmp_path, echo, more={"post": post})
    with watching(worker) as wait:
        worker.engine.start()
        assert [wait(run.id).state for run in runs] == ["done"] * 3
    worker.engine.close()
    assert [payload for _, payload in echo.seen] == [b"Tide 0", b"Tide 1", b"Tide 2"]


def stranded(desk: Wiring, worker: str = "pc-9/a") -> Run:
    """A run at work by a worker that was not heard of any more."""
    workers = Workers(desk.store.database)
    workers.begin(worker, ["north-1"])
    run = desk.journal.begin(
        new_run("echo-test", "north-1", {"payload_hex": "41"}, utc_now(), origin="service")
    )
    desk.journal.move(run.id, "running", worker=worker)
    return run


def test_a_run_of_a_worker_that_is_gone_can_be_cancelled(office: Callable[..., Wiring]) -> None:
    """At once, since nobody is there to do it; and it says so."""
    desk = office(worker=False)
    run = stranded(desk)
    assert desk.engine.cancel(run.id).state == "running", "its worker is alive: it will stop the run"
    silence(Workers(desk.store.database), "pc-9/a")
    assert desk.engine.cancel(run.id).state == "cancelled"
    assert "pc-9/a is gone" in desk.store.events(run.id)[-1][1]["message"]


def test_a_run_of_a_worker_that_is_gone_can_be_moved_to_the_general_one(
    office: Callable[..., Wiring],
) -> None:
    """With the whole queue of its station; while the worker lives it is refused."""
    echo = StrawEchoTest()
    desk = office(echo)
    run = stranded(desk)
    queued = ask(desk)
    with pytest.raises(IllegalMove, match="alive"):
        desk.engine.move(run.id)
    silence(Workers(desk.store.database), "pc-9/a")
    with watching(desk) as wait:
        desk.engine.move(run.id)
        assert wait(run.id).state == "done"
        assert wait(queued.id).state == "done"
    assert [payload for _, payload in echo.seen] == [b"A", b"Tide 7"]
    assert desk.engine.workers_of(["north-1"])["north-1"].id == post_of(desk.settings).worker


def test_classes_go_before_each_other_and_first_come_first_served_within(
    office: Callable[..., Wiring],
) -> None:
    """A person in the room waits for `class-now`; the morning's checks wait for everybody."""
    echo = StrawEchoTest(gated=True)
    desk = office(echo)
    with watching(desk) as wait:
        runs = [ask(desk, text="first")]
        echo.wait_at_work()
        for text, name in (("c1", "check"), ("g1", "grading"), ("n1", "class-now"), ("c2", "check")):
            runs.append(ask(desk, text=text, priority=name))
        runs.append(ask(desk, text="n2"))
        expected = ["n1", "n2", "g1", "c1", "c2"]
        texts = {run.id: run.payload.decode() for run in runs}
        assert [texts[run_id] for run_id in desk.engine.queue_of("north-1")] == expected
        for _ in runs:
            echo.let_go.release()
        assert {wait(run.id).state for run in runs} == {"done"}
    assert [payload.decode() for _, payload in echo.seen] == ["first", *expected]


def test_a_run_that_takes_too_long_is_stopped_and_says_so(office: Callable[..., Wiring]) -> None:
    """Its own limit; the next run gets the station."""
    echo = StrawEchoTest(gated=True)
    desk = office(echo)
    with watching(desk) as wait:
        error = wait(ask(desk, limit_s=0.2).id).error
        assert error is not None
        assert error["type"] == "/problems/time-is-up"
        run = ask(desk)
        echo.let_go.release()
        assert wait(run.id).state == "done"
