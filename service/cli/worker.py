"""`benchwarden worker`: does the runs of the stations that are attached to this host."""

from __future__ import annotations

import argparse
import contextlib
import queue
import signal
from typing import Any


def add(commands: Any) -> None:
    """The command with its options."""
    command: argparse.ArgumentParser = commands.add_parser(
        "worker",
        help="do the runs of the stations of this host",
        description="Does the runs of its stations until SIGTERM or Ctrl-C; a service elsewhere takes the "
        "requests. Both use one database and one data folder. A station stays with its worker while that is "
        "away: its runs wait, or an operator moves or cancels them.",
    )
    command.add_argument("--stations", metavar="A,B", help="names; without it all that no other worker has")
    command.add_argument("--file", metavar="FILE", help="the stations file (stations.toml)")
    command.add_argument("--data", metavar="DIR", help="folder of runs and reports (benchwarden-data)")
    command.add_argument("--database", metavar="URL", help="postgresql://... (a file in the data folder)")
    command.add_argument("--name", help="what it is called on this host (made from its stations)")
    command.add_argument("--log", metavar="KIND", help="json, plain, or auto: plain on a terminal (auto)")
    command.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Works until it is told to end; that end is 0."""
    from service.cli.say import log_to_stderr, say
    from service.settings import read_settings
    from service.wiring import build, post_of

    given = {"stations": arguments.file, "data": arguments.data, "database": arguments.database}
    settings = read_settings({**given, "log": arguments.log})
    log_to_stderr(everything=True, kind=settings.log)
    names = [name.strip() for name in arguments.stations.split(",")] if arguments.stations else None
    post = post_of(settings, names, arguments.name or (None if names else "worker"))
    wiring = build(settings, post=post)
    for name in names or ():
        wiring.station(name)
    told = _told_to_end()
    wiring.engine.start()
    try:
        whose = ", ".join(names or ["all stations"])
        say(f"worker {post.worker} does the runs of {whose} (Ctrl-C ends it)")
        wait_until_told(told)
    finally:
        wiring.engine.close()
    return 0


def wait_until_told(told: queue.SimpleQueue[int]) -> None:
    """Until there is a signal. It may reach another thread, or this one just before it sleeps: then nothing
    wakes a sleep without an end, and the handler is run only when this thread looks up.
    """
    while True:
        with contextlib.suppress(queue.Empty):
            told.get(timeout=LOOK_UP_S)
            return


def _told_to_end() -> queue.SimpleQueue[int]:
    """Holds the signal that asks to end; an interrupt by exception could get lost in somebody's callback.

    Not an Event: its lock may be held by the very thread that the handler interrupts, and then both wait for
    ever. Putting into this queue is reentrant.
    """
    told: queue.SimpleQueue[int] = queue.SimpleQueue()
    for name in SIGNALS:
        signal.signal(getattr(signal, name), lambda number, _frame: told.put(number))
    return told


LOOK_UP_S = 0.5
SIGNALS = [s for s in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, s)]
