"""`benchwarden worker`: knows its stations, works, and ends in order."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from service.cli.main import run
from service.database import Database
from service.workers import Workers
from tests.service.bench_of_straw import station_toml
from tests.service.cli.test_benches import started

STATIONS = station_toml()


def test_a_station_that_is_none_is_refused_with_those_that_there_are(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2; a worker of a misspelt station would wait for ever."""
    file = tmp_path / "stations.toml"
    file.write_text(STATIONS)
    words = ["worker", "--stations", "north-11", "--file", str(file), "--data", str(tmp_path / "data")]
    assert run(words) == 2
    assert "did you mean north-1" in capsys.readouterr().err


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_worker_says_what_it_does_and_ends_with_the_signal(tmp_path: Path, number: signal.Signals) -> None:
    """Exit code 0; afterwards the others see at once that it is gone."""
    file, data = tmp_path / "stations.toml", tmp_path / "data"
    file.write_text(STATIONS)
    words = ["worker", "--stations", "north-1", "--file", str(file), "--data", str(data)]
    with started(*words, cwd=tmp_path) as child:
        assert child.stdout is not None
        assert "north-1" in child.stdout.readline()
        workers = Workers(Database(f"sqlite:///{data / 'benchwarden.db'}"))
        assert workers.of(["north-1"])["north-1"].alive
        child.send_signal(number)
        assert child.wait(20) == 0
    assert not workers.of(["north-1"])["north-1"].alive
    workers.database.close()


SIGNAL_TO_ANOTHER_THREAD = """
import queue, signal, sys, threading
from {house} import wait_until_told

def strike():
    main = threading.main_thread().ident
    while sys._current_frames()[main].f_code is not wait_until_told.__code__:
        pass
    signal.pthread_kill(threading.get_ident(), signal.SIGTERM)

told = queue.SimpleQueue()
signal.signal(signal.SIGTERM, lambda number, _frame: told.put(number))
threading.Thread(target=strike, daemon=True).start()
wait_until_told(told)
"""


@pytest.mark.parametrize("house", ["service.cli.worker", "simulator.__main__"])
def test_a_signal_that_reaches_another_thread_ends_it_too(house: str) -> None:
    """Only a system call of the thread that is struck is interrupted; that of the first one sleeps on."""
    home = Path(__file__).resolve().parents[3]
    code = SIGNAL_TO_ANOTHER_THREAD.format(house=house)
    subprocess.run([sys.executable, "-c", code], cwd=home, timeout=30, check=True)
