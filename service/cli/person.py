"""The person at the terminal during a guided check: one step at a time, what is seen now, one key.

On a terminal the look is one line that changes; elsewhere every change is a line of its own. Enter goes on,
s leaves the step out, q stops. Steps are shown on standard error, so that --json stays one document.
"""

from __future__ import annotations

import contextlib
import os
import select
import shutil
import sys
import textwrap
from collections.abc import Iterator, Mapping
from typing import Any, TextIO

from service.cli.progress import Tell, progress
from service.cli.say import say
from service.hooks import Look, RunCancelled

KEYS = "Enter = done, s = leave this step out, q = stop"
ERASE = "\r\x1b[2K"
WIDTH = 100


class TerminalPerson:
    """Reads keys from `source` when it is a terminal, whole lines otherwise."""

    def __init__(self, source: TextIO, out: TextIO) -> None:
        self._source = source
        self._out = out
        self._moving = out.isatty()
        self._ended = False
        self._pressed = ""
        self._shown = ""

    def shown(self, prompt: Mapping[str, Any]) -> None:
        number = f"Step {prompt['step']} of {prompt['of']}" if "of" in prompt else "Step"
        head = "Something to put right" if prompt.get("extra") else number
        self._say("")
        self._say(f"{head}: {prompt.get('name', '')}".rstrip(": "))
        self._paragraph(str(prompt["text"]), "  ")
        for caution in prompt.get("caution", ()):
            self._paragraph(str(caution), "  ! ")
        for sentence in prompt.get("emergency", ()):
            self._paragraph(str(sentence), "  !! ")
        self._say(f"  [{KEYS}]")
        self._shown = ""

    def looked(self, look: Look) -> None:
        """Only what changed."""
        if look.text == self._shown:
            return
        self._shown = look.text
        if self._moving:
            width = shutil.get_terminal_size().columns - 1
            self._out.write(ERASE + f"  > {look.text}"[:width])
            self._out.flush()
        else:
            self._say(f"  > {look.text}")

    def told(self, _step: str, message: str, _fraction: float) -> None:
        """What is measured between two steps."""
        self._say(f"  . {message}")

    def answer(self, within_s: float) -> Mapping[str, Any] | None:
        """What was pressed. RunCancelled for q; once nobody can press a key any more, None for ever."""
        if not self._pressed and not self._read(within_s):
            return None
        key, self._pressed = self._pressed[0], self._pressed[1:]
        if key in STOPS:
            self._end_line()
            raise RunCancelled("stopped at the terminal")
        return ANSWERS.get(key)

    def _read(self, within_s: float) -> bool:
        """Whether there is a key to look at."""
        sources = [] if self._ended else [self._source]
        ready, _, _ = select.select(sources, [], [], within_s)
        if not ready:
            return False
        came = os.read(self._source.fileno(), 64).decode("ascii", "replace").lower()
        self._ended = not came
        self._pressed += came
        return bool(came)

    def done(self, answer: Mapping[str, Any]) -> None:
        self._end_line()
        words = "seen, going on" if answer.get("by") == "bench" else "going on"
        self._say(f"  {'left out' if answer.get('skip') else words}")

    def _end_line(self) -> None:
        if self._moving and self._shown:
            self._say("")

    def _paragraph(self, text: str, lead: str) -> None:
        lines = textwrap.wrap(text, WIDTH - len(lead)) or [""]
        for number, line in enumerate(lines):
            self._say(f"{lead if number == 0 else ' ' * len(lead)}{line}")

    def _say(self, text: str) -> None:
        say(text, self._out) if text else print(file=self._out, flush=True)


@contextlib.contextmanager
def at_bench(needed: bool) -> Iterator[tuple[TerminalPerson | None, Tell]]:
    """Somebody who does the steps, where one is needed, and something to tell progress to."""
    if not needed:
        with progress() as tell:
            yield None, tell
        return
    with at_terminal() as person:
        yield person, person.told


@contextlib.contextmanager
def at_terminal(source: TextIO | None = None, out: TextIO | None = None) -> Iterator[TerminalPerson]:
    """Somebody at this process's terminal; keys come one by one while the block runs, where it is one."""
    source, out = source or sys.stdin, out or sys.stderr
    with _key_by_key(source):
        yield TerminalPerson(source, out)


@contextlib.contextmanager
def _key_by_key(source: TextIO) -> Iterator[None]:
    if not source.isatty():
        yield
        return
    import termios
    import tty

    before = termios.tcgetattr(source)
    tty.setcbreak(source)
    try:
        yield
    finally:
        termios.tcsetattr(source, termios.TCSADRAIN, before)


ANSWERS: Mapping[str, Mapping[str, Any]] = {"\n": {}, "\r": {}, "s": {"skip": True}}
STOPS = ("q", "\x04")
"""q, and Ctrl-D; Ctrl-C is an interrupt."""
