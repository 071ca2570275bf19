"""`benchwarden serve`: the API and pages, on loopback, and unless told otherwise the runs of all stations."""

from __future__ import annotations

import argparse
from typing import Any


def add(commands: Any) -> None:
    """The command with its options."""
    command: argparse.ArgumentParser = commands.add_parser(
        "serve",
        help="run the service",
        description="Serves the stations over HTTP on loopback until SIGTERM or Ctrl-C.",
    )
    command.add_argument("--stations", metavar="FILE", help="the stations file (stations.toml)")
    command.add_argument("--host", metavar="ADDRESS", help="loopback address to listen on (127.0.0.1)")
    command.add_argument("--port", metavar="N", help="TCP port; 0 takes a free one (8320)")
    command.add_argument("--data", metavar="DIR", help="folder of runs and reports (benchwarden-data)")
    command.add_argument("--database", metavar="URL", help="postgresql://...; a file in the data folder")
    command.add_argument(
        "--no-worker", action="store_true", help="take requests only; `benchwarden worker` does the runs"
    )
    command.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Serves until it is told to end; that end is 0."""
    from service.cli.say import log_to_stderr, say
    from service.settings import read_settings
    from service.web.serving import serve
    from service.wiring import build

    log_to_stderr(everything=True)
    given = {name: getattr(arguments, name) for name in ("stations", "host", "port", "data", "database")}
    settings = read_settings({**given, "worker": False if arguments.no_worker else None})
    wiring = build(settings)
    names = ", ".join(s.name for s in wiring.stations)
    serve(
        settings,
        wiring=wiring,
        on_ready=lambda url: say(f"Benchwarden serves {names} at {url} (Ctrl-C ends it)"),
    )
    return 0
