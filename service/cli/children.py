"""The simulated bench as a child process: it is started, asked by its address, and always ended by its id."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import IO

from service.cli.failures import CommandFailed

HOME = Path(__file__).resolve().parent.parent.parent
"""The folder that holds our three packages."""
PATIENCE_S = 5.0
"""For a child that was asked to stop."""
START_S = 20.0
"""How long the simulator may take to say its addresses on a slow machine."""
SIGNALS = [s for s in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, s)]


def start_simulator(
    options: Sequence[str], output: int | None = None, words: IO[str] | None = None
) -> subprocess.Popen[str]:
    """`python -m simulator` from our own folder, whatever the working directory holds.

    It gets a process group of its own, so that Ctrl-C reaches it once, through us. `output` and `words` are
    its standard output and standard error, ours when None.
    """
    path = os.pathsep.join([str(HOME), *filter(None, [os.environ.get("PYTHONPATH")])])
    return subprocess.Popen(
        [sys.executable, "-P", "-m", "simulator", "--end-with-input", *options],
        stdin=subprocess.PIPE,  # it closes with us, also when we are killed
        stdout=output,
        stderr=words,
        text=True,
        env={**os.environ, "PYTHONPATH": path},
        process_group=0,
    )


@contextmanager
def simulated_bench(options: Sequence[str], folder: Path) -> Iterator[Path]:
    """One simulated bench while the block runs; yields its stations file, which lies in `folder`.

    Raises:
        CommandFailed: it did not start, with the reason that it gave.
    """
    stations = folder / "stations.toml"
    with (folder / "simulator.log").open("w+", encoding="utf-8") as words:
        child = start_simulator([*options, f"--write-stations={stations}"], subprocess.PIPE, words)
        try:
            _wait_for_address(child, words)
            yield stations
        finally:
            end(child)


def _wait_for_address(child: subprocess.Popen[str], words: IO[str]) -> None:
    """The line with the addresses comes last: once it is there, the bench answers."""
    assert child.stdout is not None
    ready, _, _ = select.select([child.stdout], [], [], START_S)
    if not ready:
        raise CommandFailed(f"the simulated bench said nothing for {START_S:g} s", 5)
    if child.stdout.readline():
        return
    code = child.wait(PATIENCE_S)
    words.seek(0)
    reason = (words.read().strip().splitlines() or [f"exit code {code}"])[-1]
    raise CommandFailed(f"the simulated bench did not start: {reason}", 2 if code == 2 else 5)


def end(child: subprocess.Popen[str]) -> int:
    """Ask the child to stop, then insist; returns its exit code."""
    if child.poll() is None:
        child.terminate()
        try:
            child.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            child.kill()
    code = child.wait()
    for stream in (child.stdin, child.stdout):
        if stream is not None:
            stream.close()
    return code


@contextmanager
def signals_forwarded(child: subprocess.Popen[str]) -> Iterator[None]:
    """While the block runs, a signal that would end us goes to the child instead, which then ends."""

    def forward(number: int, _frame: FrameType | None) -> None:
        if child.poll() is None:
            child.send_signal(number)

    before = {name: signal.signal(getattr(signal, name), forward) for name in SIGNALS}
    try:
        yield
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)


@contextmanager
def termination_interrupts() -> Iterator[None]:
    """While the block runs, SIGTERM and SIGHUP act like Ctrl-C: blocks are left in order, children ended.

    An interrupt that comes up in somebody's callback is lost there: it is raised again at the block's end.
    """
    told: list[int] = []

    def interrupt(number: int, _frame: FrameType | None) -> None:
        told.append(number)
        raise KeyboardInterrupt

    before = {name: signal.signal(getattr(signal, name), interrupt) for name in SIGNALS}
    try:
        yield
        if told:
            raise KeyboardInterrupt
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)
