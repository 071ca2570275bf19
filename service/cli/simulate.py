"""`benchwarden simulate`: starts simulated benches as a child and stays until it is told to end."""

from __future__ import annotations

import argparse
import signal
import sys
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

OPTIONS: tuple[tuple[str, str, str], ...] = (
    ("--count", "N", "how many benches"),
    ("--firmware", "NAME", "what the target's firmware does"),
    ("--bench", "NAME", "what is wrong with the bench, if anything"),
    ("--scope", "NAME", "whose scope it has, and so what that understands"),
    ("--seed", "N", "of everything random"),
    ("--baud", "N", "of the serial line"),
    ("--frame", "8N1", "of the serial line"),
    ("--memory", "POINTS", "record length of the scope"),
    ("--host", "ADDRESS", "to listen on (127.0.0.1)"),
    ("--clock", "real|virtual", "whether time passes as outside"),
    ("--age-days", "N", "how long ago it was set up: what drifts has drifted so long"),
    ("--write-stations", "FILE", "write a stations file that fits the benches"),
)
"""The simulator itself checks the values and has the defaults."""
HEADINGS = {
    "firmware": "--firmware NAME: what the board runs",
    "bench": "--bench NAME: what is wrong with the bench; several with +",
    "bench_scaled": "--bench NAME:NUMBER: by so much",
    "scope": "--scope NAME: whose words the scope understands",
    "fault": "--fault NAME[:TIMES]: what breaks in the middle of a run",
}
"""Groups of the simulator's list, in order."""


def add(commands: Any) -> None:
    """The command with its options."""
    command: argparse.ArgumentParser = commands.add_parser(
        "simulate",
        help="start simulated benches",
        description="Starts simulated benches on loopback, prints one JSON line for each, and runs until "
        "SIGTERM or Ctrl-C.",
    )
    for name, value, text in OPTIONS:
        command.add_argument(name, metavar=value, help=text)
    command.add_argument(
        "--fault",
        metavar="NAME[:TIMES]",
        action="append",
        default=[],
        help="what breaks in the middle of a run; may be given several times",
    )
    command.add_argument(
        "--list", action="store_true", help="name the kinds: on a terminal as a table, else as JSON"
    )
    command.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """0 after an ordinary end, a signal included; 2 when the simulator did not understand; else 5."""
    from service.cli.children import end, signals_forwarded, start_simulator

    if arguments.list and sys.stdout.isatty():
        return _list_for_a_person()
    child = start_simulator(options_of(arguments))
    try:
        with signals_forwarded(child):
            code = child.wait()
    finally:
        end(child)
    ended_by_signal = code < 0 and -code in (signal.SIGINT, signal.SIGTERM)
    return 0 if ended_by_signal else code if code in (0, 2) else 5


def _list_for_a_person() -> int:
    import json
    import subprocess

    from service.cli.children import START_S, end, start_simulator

    child = start_simulator(["--list"], subprocess.PIPE)
    try:
        told, _ = child.communicate(timeout=START_S)
    finally:
        end(child)
    print("\n".join(kinds_told(json.loads(told))))
    return child.returncode


def kinds_told(kinds: Mapping[str, Sequence[Mapping[str, Any]]]) -> Iterator[str]:
    """Each kind with what it is about, under the option that takes it."""
    for group, heading in HEADINGS.items():
        yield heading
        width = max(len(kind["name"]) for kind in kinds[group])
        for kind in kinds[group]:
            yield f"  {kind['name']:{width}}  {kind['about']}"
        yield ""


def options_of(arguments: argparse.Namespace) -> list[str]:
    """What was given, in the simulator's own words."""
    options = ["--list"] if arguments.list else []
    for name, _, _ in OPTIONS:
        value = getattr(arguments, name.removeprefix("--").replace("-", "_"))
        if value is not None:
            options.append(f"{name}={value}")
    return [*options, *(f"--fault={fault}" for fault in arguments.fault)]
