"""One lock per station for all programs of a host; whoever waits is told for whom."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from service.errors import StationBusy, StoreFailed
from service.intake import command_run
from service.locks import StationLocks
from service.plans import Send
from service.runs import StopSignal, perform
from tests.service.bench_of_straw import StrawEchoTest, straw_wiring

SCOPE = "TCPIP::127.0.0.1::20000::SOCKET"

HOLDER = """
import sys
from pathlib import Path
from service.locks import StationLocks
sys.argv = ["/usr/bin/benchwarden", "echo", "north-1", "--text", "Tide 7"]
with StationLocks(Path({folder!r})).holding("north-1", {scope!r}):
    print("held", flush=True)
    sys.stdin.readline()
print("released", flush=True)
"""


@contextmanager
def other_program(folder: Path, scope: str = SCOPE) -> Iterator[subprocess.Popen[str]]:
    """Another process that holds the station until a line comes in or it is killed."""
    code = HOLDER.format(folder=str(folder), scope=scope)
    child = subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    try:
        assert child.stdout is not None
        assert child.stdout.readline() == "held\n"
        yield child
    finally:
        child.kill()
        child.communicate()


def test_a_station_that_another_program_holds_is_refused_with_its_name(tmp_path: Path) -> None:
    """Process id and command of the holder stand in the error and in what a waiting person reads."""
    told: list[str] = []
    with other_program(tmp_path) as child:
        locks = StationLocks(tmp_path, wait_s=0.1)
        holder = f"`benchwarden echo north-1 --text Tide 7` (process {child.pid}"
        with pytest.raises(StationBusy) as caught, locks.holding("north-1", SCOPE, on_wait=told.append):
            pytest.fail("two programs on one bench")
        assert holder in str(caught.value)
        assert len(told) == 1
        assert holder in told[0]
        assert str(locks.holder(SCOPE)).startswith(holder)


def test_waiting_ends_when_the_other_program_is_done(tmp_path: Path) -> None:
    """The one who waits gets the station, and is the holder from then on."""
    with other_program(tmp_path) as child:
        assert child.stdin is not None
        stdin = child.stdin

        def let_go(_sentence: str) -> None:
            stdin.write("\n")
            stdin.flush()

        with StationLocks(tmp_path, wait_s=20).holding("north-1", SCOPE, on_wait=let_go):
            holder = StationLocks(tmp_path).holder(SCOPE)
            assert holder is not None
            assert holder.pid == os.getpid()
    assert StationLocks(tmp_path).holder(SCOPE) is None


def test_a_killed_program_holds_nothing(tmp_path: Path) -> None:
    """The note that it left behind means nothing without the lock."""
    with other_program(tmp_path) as child:
        child.kill()
        child.wait(20)
        assert StationLocks(tmp_path).holder(SCOPE) is None
        with StationLocks(tmp_path, wait_s=0).holding("north-1", SCOPE):
            pass


def test_other_stations_are_free_and_one_scope_in_other_letters_is_not(tmp_path: Path) -> None:
    """VISA resource names are not case-sensitive (VPP-4.3, from memory)."""
    with other_program(tmp_path):
        locks = StationLocks(tmp_path, wait_s=0)
        with locks.holding("north-2", "TCPIP::127.0.0.1::20001::SOCKET"):
            pass
        with pytest.raises(StationBusy), locks.holding("north-1", SCOPE.lower()):
            pytest.fail("the same scope twice")


def test_threads_of_one_program_exclude_each_other_too(tmp_path: Path) -> None:
    """A lock per call, not per process."""
    locks = StationLocks(tmp_path, wait_s=0)
    with locks.holding("north-1", SCOPE):
        refused: list[bool] = []

        def try_it() -> None:
            try:
                with locks.holding("north-1", SCOPE):
                    refused.append(False)
            except StationBusy:
                refused.append(True)

        thread = threading.Thread(target=try_it, daemon=True)
        thread.start()
        thread.join(20)
        assert refused == [True]


def test_a_run_waits_for_a_command_then_says_who_has_the_station(tmp_path: Path) -> None:
    """In the service's face: the run's event tells who is waited for, its error who had it."""
    echo = StrawEchoTest()
    wiring = straw_wiring(tmp_path, echo)
    station = wiring.station("north-1")
    with other_program(wiring.settings.locks, station.scope) as child:
        run = command_run(station, Send(text="Tide 7"), wiring.journal)
        performed = perform(run, station, wiring.tools)
        assert performed.run.state == "error"
        assert isinstance(performed.error, StationBusy)
        assert str(child.pid) in str(performed.error)
        waits = [e for _, e in wiring.store.events(run.id) if e.get("step") == "wait"]
        assert str(child.pid) in waits[0]["message"]
    assert echo.seen == []


def test_a_run_that_waits_for_a_station_can_be_cancelled(tmp_path: Path) -> None:
    """It does not sit out the waiting time."""
    wiring = straw_wiring(tmp_path, lock_wait_s=3600)
    station = wiring.station("north-1")
    stop = StopSignal()
    with other_program(wiring.settings.locks, station.scope):
        run = command_run(station, Send(text="Tide 7"), wiring.journal)
        performed = perform(
            run, station, wiring.tools, stop=stop, progress=lambda *_: stop.ask("cancelled on request")
        )
    assert performed.run.state == "cancelled"


def test_a_lock_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    """With the path, for whoever has to mend it."""
    (tmp_path / "file").write_text("")
    with (
        pytest.raises(StoreFailed, match="lock folder"),
        StationLocks(tmp_path / "file" / "locks").holding("a", "b"),
    ):
        pytest.fail("locked in a folder that is none")


def test_all_users_of_the_host_can_use_the_folder(tmp_path: Path) -> None:
    """Whoever comes second may open the first one's lock file."""
    folder = tmp_path / "locks"
    with StationLocks(folder).holding("north-1", SCOPE):
        assert folder.stat().st_mode & 0o777 == 0o777
        assert [f.stat().st_mode & 0o666 for f in folder.glob("*.lock")] == [0o666]
