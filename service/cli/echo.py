"""`benchwarden echo STATION`: one echo test now, with no service needed and under the same lock as it."""

from __future__ import annotations

import argparse
from typing import Any


def add(commands: Any) -> None:
    """The command with its options."""
    command: argparse.ArgumentParser = commands.add_parser(
        "echo",
        help="one echo test now",
        description="Runs one echo test on a station and keeps captures, result and report. Needs no running "
        "service; beside one it waits for the station.",
    )
    command.add_argument("station", metavar="STATION")
    what = command.add_mutually_exclusive_group()
    what.add_argument("--text", help="text to send, as UTF-8")
    what.add_argument("--hex", help="bytes to send, in hexadecimal")
    what.add_argument("--plan", help="a shipped test plan (short, unless something else is to be sent)")
    command.add_argument("--stations", metavar="FILE", help="the stations file (stations.toml)")
    command.add_argument("--data", metavar="DIR", help="folder of runs and reports (benchwarden-data)")
    command.add_argument("--json", action="store_true", help="print the result document as JSON")
    command.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """The verdict's exit code; errors of instruments and links are raised as they came."""
    from service.cli.children import termination_interrupts
    from service.cli.progress import progress
    from service.cli.results import show
    from service.cli.say import log_to_stderr
    from service.intake import command_run
    from service.plans import Send
    from service.run_record import named_captures
    from service.runs import perform
    from service.settings import read_settings
    from service.wiring import build

    log_to_stderr(everything=False)
    wiring = build(read_settings({"stations": arguments.stations, "data": arguments.data}))
    station = wiring.station(arguments.station)
    given = {name: getattr(arguments, name) for name in ("text", "hex", "plan")}
    send = Send(**given) if any(v is not None for v in given.values()) else Send(plan="short")
    with termination_interrupts(), progress() as tell:
        performed = perform(command_run(station, send, wiring.journal), station, wiring.tools, progress=tell)
    if performed.document is None:
        assert performed.error is not None
        raise performed.error
    report = wiring.store.report(performed.run.id)
    facts = [("run", performed.run.id), ("report", str(report))]
    kept = wiring.store.kept(performed.run.id)
    captures = [
        {"name": c.name, "label": c.label, "file": str(kept[c.position].path)}
        for c in named_captures([c.label for c in kept])
    ]
    told = {
        "run": {"id": performed.run.id, "station": station.name, "report": str(report), "captures": captures}
    }
    return show(performed.document | told, f"Echo test at {station.name}", facts, as_json=arguments.json)
