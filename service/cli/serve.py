"""`benchwarden serve`: the API and pages, on loopback, and unless told otherwise the runs of all stations."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from service.wiring import Wiring


def add(commands: Any) -> None:
    """The command with its options."""
    command: argparse.ArgumentParser = commands.add_parser(
        "serve",
        help="run the service",
        description="Serves the stations over HTTP until SIGTERM or Ctrl-C. On loopback no token is needed "
        "until somebody has made one; anywhere else it starts only when there are tokens.",
    )
    command.add_argument("--stations", metavar="FILE", help="the stations file (stations.toml)")
    command.add_argument("--host", metavar="ADDRESS", help="address to listen on (127.0.0.1)")
    command.add_argument("--port", metavar="N", help="TCP port; 0 takes a free one (8320)")
    command.add_argument("--data", metavar="DIR", help="folder of runs and reports (benchwarden-data)")
    command.add_argument("--database", metavar="URL", help="postgresql://...; a file in the data folder")
    command.add_argument("--names", metavar="A,B", help="names under which a reverse proxy is called")
    command.add_argument("--proxies", metavar="A,B", help="addresses of reverse proxies that are believed")
    command.add_argument("--tls-cert", metavar="FILE", help="certificate chain (PEM): speak TLS")
    command.add_argument("--tls-key", metavar="FILE", help="its private key (PEM)")
    command.add_argument("--log", metavar="KIND", help="json, plain, or auto: plain on a terminal (auto)")
    command.add_argument(
        "--no-worker", action="store_true", help="take requests only; `benchwarden worker` does the runs"
    )
    command.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Serves until it is told to end; that end is 0."""
    from service.cli.say import log_to_stderr
    from service.settings import read_settings
    from service.web.serving import serve
    from service.wiring import build

    given = {name: getattr(arguments, name) for name in GIVEN}
    settings = read_settings({**given, "worker": False if arguments.no_worker else None})
    log_to_stderr(everything=True, kind=settings.log)
    wiring = build(settings)
    serve(settings, wiring=wiring, on_ready=lambda url: _welcome(wiring, url))
    return 0


def _welcome(wiring: Wiring, url: str) -> None:
    """Where the service is; and how to shut the door, as long as it stands open."""
    from service.access.links import MINUTES
    from service.cli.say import say

    names = ", ".join(s.name for s in wiring.stations)
    say(f"Benchwarden serves {names} at {url} (Ctrl-C ends it)")
    if link := wiring.access.first_link(url):
        say("Everybody on this machine may use it without a token. To become its admin and shut it, open")
        say(f"  {link}")
        say(f"within {MINUTES:g} minutes; it works once. Or: benchwarden token make NAME --role admin")


GIVEN = ("stations", "host", "port", "data", "database", "names", "proxies", "tls_cert", "tls_key", "log")
"""Options that are settings."""
