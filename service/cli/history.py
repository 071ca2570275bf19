"""`benchwarden history` and `benchwarden baseline`: numbers over time, and what is usual of them."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any


def add(commands: Any) -> None:
    """Both commands with their options."""
    told = _command(
        commands,
        "history",
        run_history,
        "numbers of checks over time, with drifts and jumps",
        "Shows how each number of a station, or of a thing through all its places, has gone and until when "
        "it will be within its limits. With --compare one number of all stations: what stands out?",
    )
    told.add_argument("station", metavar="STATION", nargs="?")
    told.add_argument("--item", metavar="ID", help="a thing of the inventory instead of a station")
    told.add_argument("--compare", action="store_true", help="all stations; needs --name")
    told.add_argument("--name", help="one number only, with all its values")
    told.add_argument("--html", metavar="FILE", type=Path, help="write the page with its drawings there")
    made = _command(
        commands,
        "baseline",
        run_baseline,
        "what is usual on a station",
        "Shows what is usual; with --make anew from ten or more checks that passed.",
    )
    made.add_argument("station", metavar="STATION")
    made.add_argument("--make", metavar="REASON", help="make it anew; the one before is kept")
    made.add_argument("--who", metavar="NAME", help="who does it (the user's name)")


def _command(commands: Any, name: str, run: Any, about: str, description: str) -> argparse.ArgumentParser:
    command: argparse.ArgumentParser = commands.add_parser(name, help=about, description=description)
    command.add_argument("--stations", metavar="FILE", help="the stations file (stations.toml)")
    command.add_argument("--data", metavar="DIR", help="the data folder (benchwarden-data)")
    command.add_argument("--database", metavar="URL", help="postgresql://... (a file in the data folder)")
    command.add_argument("--json", action="store_true", help="print JSON")
    command.set_defaults(run=run)
    return command


def run_history(arguments: argparse.Namespace) -> int:
    """0; there is nothing to fail."""
    from dataclasses import asdict

    from service.cli.room import wiring, write_page
    from service.cli.say import print_json, say
    from service.errors import BadInput
    from service.report.history_page import render_history
    from service.report.history_text import history_text

    parts = wiring(arguments)
    history, name = parts.room.history, arguments.name
    if sum(map(bool, (arguments.station, arguments.item, arguments.compare))) != 1:
        raise BadInput("name a station, or --item ID, or --compare with --name")
    if arguments.compare:
        if not name:
            raise BadInput("--compare needs --name, e.g. probe_factor")
        found = history.compare(name)
        print_json(asdict(found)) if arguments.json else say(found.words)
        return 0
    log: list[Any] = []
    if arguments.item:
        courses, log = history.of_item(arguments.item, name), parts.room.inventory.log_of(arguments.item)
        at = parts.room.inventory.one(arguments.item).words
    else:
        at = parts.station(arguments.station).name
        courses = [history.of_station(at, name)] if name else history.courses_of_station(at)
    if arguments.html:
        write_page(arguments.html, render_history(at, courses, log))
    if arguments.json:
        more = {"log": [asdict(entry) for entry in log]} if arguments.item else {}
        print_json({"courses": [asdict(course) for course in courses]} | more)
    else:
        say(history_text(courses, log, with_points=bool(name)))
    return 0


def run_baseline(arguments: argparse.Namespace) -> int:
    """0 when it is shown or made."""
    from dataclasses import asdict

    from service.cli.room import noted, who, wiring
    from service.cli.say import print_json, say
    from service.pipeline.numbers import quantity

    parts = wiring(arguments)
    station, baselines = parts.station(arguments.station).name, parts.room.baselines
    if arguments.make:
        by = who(arguments)
        baselines = noted(baselines, "baseline make", station, who=by, because=arguments.make)
        found = baselines.make(station, by, arguments.make)
    else:
        found = baselines.all(station)
    if arguments.json:
        print_json({"baselines": [asdict(b) for b in found]})
        return 0
    lines = [
        f"{b.name:28} {quantity(b.centre, b.unit, digits=5):>14}  "
        f"within {quantity(b.within, b.unit, digits=2)}, "
        f"between {quantity(b.between, b.unit, digits=2)}, {b.repeats} repeats, {b.made_at[:10]}"
        for b in found
    ]
    say("\n".join(lines) or f"{station} has no baseline: its newest checks say what is usual")
    return 0
