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
from typing import IO, Any

from service.cli.failures import CommandFailed

HOME = Path(__file__).resolve().parent.parent.parent
"""The folder that holds our three packages."""
PATIENCE_S = 5.0
SIGNALS = [s for s in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, s)]


def start_simulator(options: Sequence[str], *, output: int | IO[Any] | None = None) -> subprocess.Popen[str]:
    """`python -m simulator` from our own folder, whatever the working directory holds.

    It gets a process group of its own, so that Ctrl-C reaches it once, through us.
    """
    path = os.pathsep.join([str(HOME), *filter(None, [os.environ.get("PYTHONPATH")])])
    return subprocess.Popen(
        [sys.executable, "-P", "-m", "simulator", *options],
        stdin=subprocess.DEVNULL,
        stdout=output,
        text=True,
        env={**os.environ, "PYTHONPATH": path},
        process_group=0,
    )


def first_line(child: subprocess.Popen[str], patience_s: float) -> str:
    """The child's first line.

    Raises:
        CommandFailed: it ended or stayed silent; a child that ended has said why on standard error.
    """
    assert child.stdout is not None
    ready, _, _ = select.select([child.stdout], [], [], patience_s)
    line = child.stdout.readline() if ready else ""
    if line:
        return line
    if not ready:
        raise CommandFailed(f"the simulated bench said nothing for {patience_s:g} s", 5)
    code = child.wait(PATIENCE_S)
    raise CommandFailed(f"the simulated bench did not start (its exit code was {code})", max(code, 0) or 5)


def end(child: subprocess.Popen[str]) -> int:
    """Ask the child to stop, then insist; returns its exit code."""
    if child.poll() is None:
        child.terminate()
        try:
            child.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            child.kill()
    code = child.wait()
    if child.stdout is not None:
        child.stdout.close()
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
    """While the block runs, SIGTERM and SIGHUP act like Ctrl-C: blocks are left in order, children ended."""

    def interrupt(_number: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    names = [name for name in SIGNALS if name != "SIGINT"]
    before = {name: signal.signal(getattr(signal, name), interrupt) for name in names}
    try:
        yield
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)
