"""`benchwarden morning [DATE]`: the summary of the room, of now or as it was made that day."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any


def add(commands: Any) -> None:
    """The command with its options."""
    command: argparse.ArgumentParser = commands.add_parser(
        "morning",
        help="all stations on one page, worst first, with the first thing to do",
        description="Shows the room as it is now, or the summary of that day as it was made. Checks nothing "
        "itself: `benchwarden check --all` does.",
        epilog="Exit codes: 0 all ready, 3 practice only, 1 not usable, 4 not seen: the worst.",
    )
    command.add_argument("date", metavar="DATE", nargs="?", help="such as 2027-01-12; now without it")
    command.add_argument("--html", metavar="FILE", type=Path, help="write the page there")
    command.add_argument("--stations", metavar="FILE", help="the stations file (stations.toml)")
    command.add_argument("--data", metavar="DIR", help="the data folder (benchwarden-data)")
    command.add_argument("--database", metavar="URL", help="postgresql://... (a file in the data folder)")
    command.add_argument("--json", action="store_true", help="print JSON")
    command.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """The worst station's exit code."""
    from service.check.document import EXIT_CODES, worst
    from service.cli.room import room, write_page
    from service.cli.say import print_json, say
    from service.report.morning_page import render_morning
    from service.report.morning_text import morning_text

    mornings = room(arguments).mornings
    document = mornings.one(arguments.date) if arguments.date else mornings.now()
    if arguments.html:
        write_page(arguments.html, render_morning(document))
    if arguments.json:
        print_json(document)
    else:
        say(morning_text(document))
    return EXIT_CODES[worst(row["outcome"] for row in document["stations"])]
