"""One run at a time on each station, in order; nothing forgotten over a restart."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest

from drivers.errors import NotReachable
from service.errors import FolderInUse, IllegalMove, QueueFull, StoreFailed
from service.plans import Send
from service.run_record import MOVES, Run, new_run, utc_now
from service.wiring import Wiring, post_of
from tests.service.bench_of_straw import NAMES, StrawEchoTest, capture, straw_wiring


@pytest.fixture
def started(tmp_path: Path) -> Iterator[Callable[..., Wiring]]:
    """`started(echo)` builds a service and starts its engine; all are closed at the end."""
    with ExitStack() as stack:

        def start(echo: StrawEchoTest, **given: Any) -> Wiring:
            wiring = straw_wiring(tmp_path, echo, **given)
            wiring.engine.start()
            stack.callback(wiring.engine.close)
            return wiring

        yield start


def ask(wiring: Wiring, station: str = "north-1", text: str = "Tide 7") -> Run:
    return wiring.intake.request_echo_test(station, Send(text=text))


@contextmanager
def watching(wiring: Wiring) -> Iterator[Callable[[str], Run]]:
    """Gives a function that waits until a run is settled, woken by the journal."""
    news = threading.Condition()

    def wake(_about: str) -> None:
        with news:
            news.notify_all()

    def wait(run_id: str) -> Run:
        with news:
            assert news.wait_for(lambda: wiring.store.read(run_id).settled, timeout=20)
        return wiring.store.read(run_id)

    with wiring.journal.watched(wake):
        yield wait


def test_runs_of_one_station_come_one_at_a_time_in_the_order_of_asking(
    started: Callable[..., Wiring],
) -> None:
    """First in, first out; never two at once, proved by counting inside the runs."""
    echo = StrawEchoTest(gated=True)
    wiring = started(echo)
    with watching(wiring) as wait:
        runs = [ask(wiring, text=f"Tide {n}") for n in range(6)]
        for _ in runs:
            echo.wait_at_work()
            assert not echo.at_work.acquire(blocking=False), "two runs at work on one station"
            echo.let_go.release()
        assert [wait(run.id).state for run in runs] == ["done"] * 6
    assert [payload for _, payload in echo.seen] == [f"Tide {n}".encode() for n in range(6)]
    assert echo.most_together == {"north-1": 1}


def test_stations_do_not_wait_for_each_other(started: Callable[..., Wiring]) -> None:
    """All three are inside their echo test at once, or the barrier breaks."""
    barrier = threading.Barrier(len(NAMES), timeout=20)

    class Meeting(StrawEchoTest):
        def _work(self, hooks: Any) -> dict[str, Any]:
            barrier.wait()
            return super()._work(hooks)

    wiring = started(Meeting())
    with watching(wiring) as wait:
        runs = [ask(wiring, name) for name in NAMES]
        assert [wait(run.id).state for run in runs] == ["done"] * 3


@pytest.mark.parametrize(
    ("error", "problem"),
    [
        (NotReachable("nothing answers at TCPIP::127.0.0.1::1::SOCKET"), "/problems/not-reachable"),
        (StoreFailed("no space left"), "/problems/store-failed"),
        (RuntimeError("a bug"), "/problems/internal"),
    ],
)
def test_an_error_ends_its_run_and_the_next_run_is_done(
    started: Callable[..., Wiring], error: Exception, problem: str
) -> None:
    """The lane lives on."""
    echo = StrawEchoTest(raises=error)
    wiring = started(echo)
    with watching(wiring) as wait:
        first = wait(ask(wiring).id)
        assert first.state == "error"
        assert first.error is not None
        assert first.error["type"] == problem
        echo.raises = None
        assert wait(ask(wiring).id).state == "done"


def test_what_is_queued_at_a_stop_is_done_after_the_restart_in_the_same_order(tmp_path: Path) -> None:
    """The run at work is finished first; the queue stays on disk."""
    echo = StrawEchoTest(gated=True)
    wiring = straw_wiring(tmp_path, echo)
    wiring.engine.start()
    runs = [ask(wiring, text=f"Tide {n}") for n in range(4)]
    echo.wait_at_work()
    stopping = threading.Thread(target=wiring.engine.close, daemon=True)
    stopping.start()
    echo.let_go.release()
    stopping.join(20)
    assert not stopping.is_alive()
    assert [wiring.store.read(r.id).state for r in runs] == ["done", "queued", "queued", "queued"]

    again = StrawEchoTest()
    second = straw_wiring(tmp_path, again)
    with watching(second) as wait:
        second.engine.start()
        assert [wait(r.id).state for r in runs] == ["done"] * 4
    second.engine.close()
    assert [payload for _, payload in again.seen] == [b"Tide 1", b"Tide 2", b"Tide 3"]


def left_at_work(folder: Path, resumed: int = 0) -> Run:
    """A run whose program died in the middle, so many times before."""
    before = straw_wiring(folder)
    run = new_run("echo-test", "north-1", {"payload_hex": "41"}, utc_now(), origin="service")
    before.journal.begin(run)
    before.journal.move(run.id, "running", worker=post_of(before.settings).worker)
    before.store.keep_capture(run.id, "idle look 1", before.tools.pack_capture(capture()), at=run.created_at)
    for _ in range(resumed):
        before.journal.tell(run.id, "resumed")
    before.store.database.close()
    return run


def test_a_run_that_was_at_work_when_the_program_died_goes_on_before_those_that_are_queued(
    tmp_path: Path,
) -> None:
    """It has the station; what it has captured is kept."""
    cut = left_at_work(tmp_path)
    before = straw_wiring(tmp_path)
    queued = new_run("echo-test", "north-1", {"payload_hex": "42"}, utc_now(), origin="service")
    before.journal.begin(queued)
    before.store.database.close()
    echo = StrawEchoTest()
    wiring = straw_wiring(tmp_path, echo)
    with watching(wiring) as wait:
        wiring.engine.start()
        after = wait(cut.id)
        assert wait(queued.id).state == "done"
    wiring.engine.close()
    assert (after.state, after.verdict) == ("done", "pass")
    assert after.captures[0] == "idle look 1"
    assert [e["event"] for _, e in wiring.store.events(cut.id)].count("resumed") == 1
    assert [payload for _, payload in echo.seen] == [b"A", b"B"]


def test_a_run_at_which_the_program_dies_again_and_again_is_given_up_and_its_scope_left_idle(
    tmp_path: Path,
) -> None:
    """It may be the cause: the others must get their turn."""
    cut = left_at_work(tmp_path, resumed=2)
    idle: list[str] = []
    echo = StrawEchoTest()
    wiring = straw_wiring(tmp_path, echo, more={"make_idle": lambda at: idle.append(at.name)})
    with watching(wiring) as wait:
        wiring.engine.start()
        after = wait(cut.id)
    wiring.engine.close()
    assert after.error is not None
    assert "died 3 times" in after.error["detail"]
    assert after.captures == ("idle look 1",)
    assert (idle, echo.seen) == (["north-1"], [])


def test_a_queued_run_of_a_station_that_is_gone_ends_in_error(
    tmp_path: Path, started: Callable[..., Wiring]
) -> None:
    """The stations file may change between two starts."""
    before = straw_wiring(tmp_path)
    gone = new_run("echo-test", "west-7", {"payload_hex": "41"}, utc_now(), origin="service")
    before.journal.begin(gone)
    error = started(StrawEchoTest()).store.read(gone.id).error
    assert error is not None
    assert "west-7 is no longer in the stations file" in error["detail"]


def test_a_run_of_a_living_command_is_left_alone_and_cannot_be_cancelled_here(
    started: Callable[..., Wiring], tmp_path: Path
) -> None:
    """`benchwarden echo` beside the service does its own run; this process plays the command."""
    before = straw_wiring(tmp_path)
    run = new_run("echo-test", "north-1", {"payload_hex": "41"}, utc_now(), origin="command")
    before.journal.begin(run)
    before.journal.move(run.id, "running")
    wiring = started(StrawEchoTest())
    assert wiring.store.read(run.id).state == "running"
    with pytest.raises(IllegalMove, match="done by a command"):
        wiring.engine.cancel(run.id)


def test_a_second_service_on_the_same_folder_is_refused(
    started: Callable[..., Wiring], tmp_path: Path
) -> None:
    """Both would take up the same queued runs."""
    started(StrawEchoTest())
    with pytest.raises(FolderInUse, match="another service"):
        straw_wiring(tmp_path).engine.start()


def test_a_full_queue_takes_no_more(started: Callable[..., Wiring]) -> None:
    """The answer says how many wait; nothing was written for the refused one."""
    echo = StrawEchoTest(gated=True)
    wiring = started(echo, queue_max=2)
    ask(wiring)
    echo.wait_at_work()
    ask(wiring)
    ask(wiring)
    with pytest.raises(QueueFull, match="2 runs wait"):
        ask(wiring)
    assert len(list(wiring.store.newest_first())) == 3
    for _ in range(3):
        echo.let_go.release()


def test_closing_stops_a_run_that_does_not_end_by_itself(tmp_path: Path) -> None:
    """After the grace it goes back to its queue, says why, and is done after the next start."""
    echo = StrawEchoTest(gated=True)
    wiring = straw_wiring(tmp_path, echo)
    wiring.engine._close_grace_s = 0.0  # type: ignore[attr-defined]
    wiring.engine.start()
    run = ask(wiring)
    echo.wait_at_work()
    wiring.engine.close()
    assert wiring.store.read(run.id).state == "queued"
    last = wiring.store.events(run.id)[-1][1]
    assert "the service was stopped" in last["message"]
    again = straw_wiring(tmp_path)
    with watching(again) as wait:
        again.engine.start()
        assert wait(run.id).state == "done"
    again.engine.close()


@pytest.mark.parametrize("state", list(MOVES))
def test_the_table_of_moves_is_the_law(state: str) -> None:
    """Every move that the table has works, every other raises and names both states."""
    from dataclasses import replace

    run = replace(new_run("echo-test", "north-1", {}, utc_now(), origin="service"), state=state)
    for other in MOVES:
        if other in MOVES[state]:
            assert run.moved(other).state == other
        else:
            with pytest.raises(IllegalMove, match=f"is {state} and cannot become {other}"):
                run.moved(other)
