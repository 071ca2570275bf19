"""`benchwarden claim STATION` and `benchwarden give-back STATION`: a person is at a bench, and leaves it."""

from __future__ import annotations

import argparse
import time
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from service.room.presence import Claim

LOOK_S = 0.25


def add(commands: Any) -> None:
    """Both commands with their options."""
    taking = _command(
        commands,
        "claim",
        run_claim,
        "take a bench for yourself",
        "Nobody works remotely on the station until it is given back or the time is over; a run that is at "
        "work there ends at its next safe point and keeps its place. Waits until the bench is clear.",
    )
    taking.add_argument("--hours", type=float, default=4.0, metavar="N", help="it ends by itself after N (4)")
    taking.add_argument("--because", default="at the bench", metavar="TEXT", help="told to others")
    taking.add_argument("--wait", type=float, default=60.0, metavar="S", help="for the bench, at most (60)")
    _command(commands, "give-back", run_give_back, "give a bench back", "Whatever waits there has its turn.")


def _command(commands: Any, name: str, run: Any, about: str, description: str) -> argparse.ArgumentParser:
    command: argparse.ArgumentParser = commands.add_parser(name, help=about, description=description)
    command.add_argument("station", metavar="STATION")
    command.add_argument("--stations", metavar="FILE", help="the stations file (stations.toml)")
    command.add_argument("--data", metavar="DIR", help="the data folder (benchwarden-data)")
    command.add_argument("--database", metavar="URL", help="postgresql://... (a file in the data folder)")
    command.add_argument("--who", metavar="NAME", help="who it is (the user's name)")
    command.add_argument("--json", action="store_true", help="print JSON")
    command.set_defaults(run=run)
    return command


def run_claim(arguments: argparse.Namespace) -> int:
    """0 when hands may go to the bench; 5 when something is still at work there."""
    from service.cli.room import noted, room, who
    from service.room.presence import person_here

    presence, by = room(arguments).presence, who(arguments)
    hours = f"{arguments.hours:g}"
    told = noted(presence, "claim", arguments.station, who=by, because=arguments.because, hours=hours)
    claim = told.claim(
        arguments.station,
        by,
        owner=person_here(),
        because=arguments.because,
        for_s=arguments.hours * 3600,
    )
    end = time.monotonic() + arguments.wait
    while (working := presence.at_work(claim)) and time.monotonic() < end:
        time.sleep(LOOK_S)
    words = f"hands off: run {working[0].id} is still at work" if working else "nobody works there remotely"
    _told(arguments, claim, clear=not working, words=f"{_line(claim)}; {words}")
    return 5 if working else 0


def run_give_back(arguments: argparse.Namespace) -> int:
    """0 when it is free again; a running service notices within ten seconds."""
    from service.cli.room import noted, room, who

    by = who(arguments)
    presence = noted(room(arguments).presence, "give-back", arguments.station, who=by)
    claim = presence.give_back(arguments.station, by)
    _told(arguments, claim, clear=True, words=f"{claim.station} was given back at {claim.ended_at}")
    return 0


def _told(arguments: argparse.Namespace, claim: Claim, *, clear: bool, words: str) -> None:
    from dataclasses import asdict

    from service.cli.say import print_json, say

    if arguments.json:
        print_json({**asdict(claim), "clear": clear})
    else:
        say(words)


def _line(claim: Claim) -> str:
    from service.room.plain import one_line

    return f"{one_line(claim.who)} is at {claim.station} until {claim.until}"
