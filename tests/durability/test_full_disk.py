"""The disk is full: a clear error, nothing half written, and all goes on when there is room again."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from service import durable
from service.errors import StoreFailed
from service.plans import Send
from service.wiring import Wiring
from tests.service.bench_of_straw import StrawEchoTest, straw_wiring
from tests.service.test_engine import watching


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 4 MB at the place of the data folder."""
    folder = tmp_path / "data"
    folder.mkdir()
    may = os.geteuid() == 0 and shutil.which("mount") is not None
    done = (
        may
        and not subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(folder)], capture_output=True, check=False
        ).returncode
    )
    if not done:  # a privilege, not a tool that could be installed
        pytest.skip("mounting a small file system needs root")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def fill(folder: Path) -> Path:
    """Take all the room that is left."""
    filler = folder / "filler"
    with open(filler, "wb", buffering=0) as file:
        for size in (1 << 16, 1 << 12, 1):
            try:
                while True:
                    file.write(b"x" * size)
            except OSError:
                continue
    return filler


def ask_until_full(wiring: Wiring) -> None:
    """Pages that the database has already take a few more."""
    for _ in range(200):
        wiring.intake.request_echo_test("south-1", Send(text="Tide 8" * 600))


@pytest.fixture
def closing() -> Iterator[ExitStack]:
    """What is closed at the end, whatever happens: a process works for one service at a time."""
    with ExitStack() as stack:
        yield stack


def test_a_request_is_refused_with_a_clear_error_and_works_when_there_is_room(
    small_disk: Path, closing: ExitStack, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The service did not die of it, and no station stays blocked."""
    monkeypatch.setattr(durable, "BEAT_S", 0.5)
    wiring = straw_wiring(small_disk.parent)
    closing.callback(wiring.close)
    with watching(wiring) as wait:
        wiring.engine.start()
        first = wait(wiring.intake.request_echo_test("north-1", Send(text="Tide 7")).id)
        filler = fill(small_disk)
        with pytest.raises(StoreFailed, match="full"):
            ask_until_full(wiring)
        filler.unlink()
        assert wait(wiring.intake.request_echo_test("north-1", Send(text="Tide 9")).id).state == "done"
    assert wiring.store.read(first.id) == first
    assert wiring.store.capture(first.id, "0").stat().st_size > 0


def test_a_run_that_meets_a_full_disk_is_not_lost(small_disk: Path, closing: ExitStack) -> None:
    """It ends in an error that says why, or goes on at the next start with the capture that it had."""
    echo = StrawEchoTest(gated=True)
    wiring = straw_wiring(small_disk.parent, echo)
    closing.callback(wiring.close)
    wiring.engine.start()
    run = wiring.intake.request_echo_test("north-1", Send(text="Tide 7"))
    echo.wait_at_work()
    filler = fill(small_disk)
    echo.let_go.release()
    wiring.close()
    filler.unlink()
    again = straw_wiring(small_disk.parent)
    closing.callback(again.close)
    with watching(again) as wait:
        again.engine.start()
        after = wait(run.id)
    assert after.captures[0] == "shot 1"
    if after.state == "error":
        assert after.error is not None
        assert after.error["type"] == "/problems/store-failed"
        assert "full" in after.error["detail"] or "No space" in after.error["detail"]
    else:
        assert after.state == "done"
