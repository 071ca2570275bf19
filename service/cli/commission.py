"""`benchwarden commission RESOURCE --dialect FILE`: proves a dialect on a real scope, line by line."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from service.commissioning.commission import Commissioned, Wishes

NOT_REACHABLE = 4


def add(commands: Any) -> None:
    """The command with its options."""
    command: argparse.ArgumentParser = commands.add_parser(
        "commission",
        help="prove a dialect on a real scope, line by line",
        description="Sets, asks and reads back every line of a dialect file on a real scope, takes test "
        "records, holds lengths, scale and time base against each other, measures round trips "
        "and transfer, and leaves the scope as it was found. Nothing is sent that does not "
        "stand in the dialect.",
        epilog="Exit codes: 0 all works, 3 works but differs somewhere, 1 something fails, 2 bad usage or "
        "dialect file, 4 not reachable.",
    )
    command.add_argument("resource", metavar="RESOURCE", help="VISA address of the scope")
    command.add_argument("--dialect", metavar="FILE", required=True, help="a dialect file, or a shipped name")
    command.add_argument("--save", metavar="FILE", help="write the record that later checks compare with")
    command.add_argument("--serial", metavar="URL", help="serial link on whose lines the probes are")
    command.add_argument("--baud", type=int, default=230_400, help="its rate (230400)")
    command.add_argument("--frame", default="8N1", help="its frame (8N1)")
    command.add_argument("--reference-hz", type=float, metavar="HZ", help="both tips are on this square wave")
    command.add_argument("--reference-v", type=float, metavar="V", help="its height from low to high")
    command.add_argument(
        "--skip", action="append", default=[], metavar="LINE", help="leave a line out (self_test)"
    )
    command.add_argument("--timeout", type=float, default=2.0, metavar="S", help="wait for an answer (2 s)")
    command.add_argument("--visa-library", default="@py", metavar="NAME", help="another VISA library")
    command.add_argument("--json", action="store_true", help="print the record as JSON")
    command.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """0 all works, 3 something differs, 1 something fails, 4 out of reach; errors are raised as they came."""
    from drivers.scope.dialect_reader import load_dialect
    from service.cli.children import termination_interrupts
    from service.cli.say import log_to_stderr, print_json, say
    from service.commissioning.commission import commission
    from service.commissioning.record import document
    from service.commissioning.table import cautions, table
    from service.locks import StationLocks
    from service.settings import read_settings

    log_to_stderr(everything=False)
    wishes = _wishes(arguments)
    say(cautions(with_reset=load_dialect(wishes.dialect).reset is not None), sys.stderr)
    settings = read_settings()
    locks = StationLocks(settings.locks, settings.lock_wait_s)
    with (
        termination_interrupts(),
        locks.holding("commission", wishes.resource, on_wait=lambda words: say(words, sys.stderr)),
    ):
        done = commission(wishes, _progress())
    if arguments.save:
        _save(arguments.save, document(done))
    if arguments.json:
        print_json(document(done))
    else:
        say(table(done))
    return _exit_code(done)


def _exit_code(done: Commissioned) -> int:
    from service.commissioning.outcome import DIFFERS, FAILS, WORKS

    return NOT_REACHABLE if done.lost else {WORKS: 0, DIFFERS: 3, FAILS: 1}[done.outcome]


def _wishes(arguments: argparse.Namespace) -> Wishes:
    from service.commissioning.commission import Wishes
    from service.commissioning.signal_lines import Reference, Traffic
    from service.errors import BadInput

    numbers = {"--timeout": arguments.timeout, "--baud": arguments.baud}
    numbers |= {"--reference-hz": arguments.reference_hz, "--reference-v": arguments.reference_v}
    for name, value in numbers.items():
        if value is not None and not 0 < value < float("inf"):
            raise BadInput(f"{name} must be above 0, was {value!r}")
    if arguments.reference_v is not None and arguments.reference_hz is None:
        raise BadInput(
            "--reference-v needs --reference-hz: without its rate no square wave can be looked for"
        )
    return Wishes(
        resource=arguments.resource,
        dialect=arguments.dialect,
        visa_library=arguments.visa_library,
        timeout_s=arguments.timeout,
        traffic=Traffic(arguments.serial, arguments.baud, arguments.frame) if arguments.serial else None,
        reference=Reference(arguments.reference_hz, arguments.reference_v)
        if arguments.reference_hz
        else None,
        skip=tuple(arguments.skip),
    )


def _progress() -> Any:
    """The line that is being tried, on a terminal only."""
    if not sys.stderr.isatty():
        return lambda _line: None
    return lambda line: print(f"\r\033[K{line} ...", end="", file=sys.stderr, flush=True)


def _save(name: str, record: dict[str, Any]) -> None:
    import json
    import os
    from pathlib import Path

    from service.errors import StoreFailed
    from service.whole_files import write_whole

    try:
        write_whole(Path(name), json.dumps(record, indent=1).encode() + b"\n", place=os.replace)
    except OSError as error:
        raise StoreFailed(f"the record could not be written to {name}: {error}") from error
