"""Progress for people, on standard error: a moving line on a terminal, plain lines everywhere else."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from service.cli.say import say

Tell = Callable[[str, str, float], None]
"""(step, message, fraction done 0..1), as RunHooks.progress has it."""


@contextmanager
def progress() -> Iterator[Tell]:
    """Something to tell progress to while the block runs."""
    if sys.stderr.isatty():
        with _moving_line() as tell:
            yield tell
    else:
        yield _plain_lines()


def _plain_lines() -> Tell:
    last = ""

    def tell(step: str, message: str, fraction: float) -> None:
        nonlocal last
        line = f"{step}: {message}"
        if line != last:
            say(f"[{fraction:4.0%}] {line}", sys.stderr)
        last = line

    return tell


@contextmanager
def _moving_line() -> Iterator[Tell]:
    from rich.console import Console
    from rich.markup import escape
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = TextColumn("{task.description}"), BarColumn(bar_width=24), TimeElapsedColumn()
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("starting", total=1.0)

        def tell(step: str, message: str, fraction: float) -> None:
            bar.update(task, completed=fraction, description=escape(f"{step}: {message}"))

        yield tell
