"""`benchwarden statistics`: the lab's own figures, one page each term."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any


def add(commands: Any) -> None:
    """The command with its options."""
    command: argparse.ArgumentParser = commands.add_parser(
        "statistics",
        help="the lab's own figures: failures per 1,000 h, repairs, void tests, waiting",
        description="One page for a term. Each figure comes with the range that so few cases prove (95 %).",
    )
    command.add_argument("--since", metavar="DAY", help="such as 2026-09-01; half a year before without it")
    command.add_argument("--until", metavar="DAY", help="not included; now without it")
    command.add_argument("--html", metavar="FILE", type=Path, help="write the page there")
    command.add_argument("--stations", metavar="FILE", help="the stations file (stations.toml)")
    command.add_argument("--data", metavar="DIR", help="the data folder (benchwarden-data)")
    command.add_argument("--database", metavar="URL", help="postgresql://... (a file in the data folder)")
    command.add_argument("--json", action="store_true", help="print JSON")
    command.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """0; there is nothing to fail."""
    from service.cli.room import room, write_page
    from service.cli.say import print_json, say
    from service.report.statistics_page import render_statistics
    from service.report.statistics_text import statistics_text

    document = room(arguments).statistics.of(arguments.since, arguments.until)
    if arguments.html:
        write_page(arguments.html, render_statistics(document))
    print_json(document) if arguments.json else say(statistics_text(document))
    return 0
