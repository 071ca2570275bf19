"""`benchwarden check STATION...`: station checks now, without a service and under the same locks as it."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from service.check.asked import Asked
    from service.stations import Station
    from service.wiring import Wiring

BAD_USAGE = 2


def add(commands: Any) -> None:
    """The command with its options."""
    command: argparse.ArgumentParser = commands.add_parser(
        "check",
        help="station check now",
        description="Checks stations and says of each what it may be used for and what to do first. Needs no "
        "running service; beside one it waits for the station.",
        epilog="Exit codes: 0 ready, 3 practice only, 1 not usable, 4 not seen; of several the worst. "
        "2 bad usage or input, 5 anything else.",
    )
    command.add_argument("station", metavar="STATION", nargs="*")
    command.add_argument("--all", action="store_true", help="every station of the stations file")
    command.add_argument("--only", metavar="NAME[,NAME]", help="these parts of the check")
    command.add_argument("--guided", action="store_true", help="with a person at the bench, step by step")
    command.add_argument("--set-right", action="store_true", help="with --only trigger: set it right")
    command.add_argument("--metered-volts", type=float, metavar="V", help="with --guided: a measured source")
    command.add_argument("--meter", metavar="ID", help="the meter that measured it")
    command.add_argument("--alone", action="store_true", help="nobody is at the bench")
    command.add_argument("--repeats", type=int, metavar="N", help="so many times over, for a baseline")
    command.add_argument("--at-once", type=int, metavar="N", help="stations at the same time (4)", default=4)
    command.add_argument("--stations", metavar="FILE", help="the stations file (stations.toml)")
    command.add_argument("--data", metavar="DIR", help="folder of runs and reports (benchwarden-data)")
    command.add_argument("--json", action="store_true", help="print the document as JSON, of --all a list")
    command.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """The worst outcome's exit code; one station's error is told and raised as it came."""
    from service.check.document import EXIT_CODES, worst
    from service.cli.children import termination_interrupts
    from service.cli.say import complain, log_to_stderr, print_json, say
    from service.errors import BadInput
    from service.report.check_text import check_page, room_page
    from service.settings import read_settings
    from service.wiring import build

    log_to_stderr(everything=False)
    if wrong := _misused(arguments):
        complain(wrong)
        return BAD_USAGE
    wiring = build(read_settings({"stations": arguments.stations, "data": arguments.data}))
    chosen = _chosen(arguments, wiring)
    asked = _asked(arguments)
    if asked.with_a_person and len(chosen) > 1:
        raise BadInput("a person can be at one station only: name one")
    with termination_interrupts():
        documents = _check(wiring, chosen, asked, max(arguments.at_once, 1))
    documents = _beside_each_other(documents)
    if arguments.json:
        print_json(documents if arguments.all else documents[0])
    elif len(documents) == 1:
        say(check_page(documents[0]))
    else:
        say(room_page(documents))
    return EXIT_CODES[worst(document["outcome"] for document in documents)]


def _beside_each_other(documents: list[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """With `room` where a station's clock is off against the medians of all."""
    from service.check.room_clocks import as_documents, suspects_of

    told = {one["station"]: one for one in as_documents(suspects_of(documents))}
    return [{**d, "room": told[d["station"]]} if d["station"] in told else d for d in documents]


def _misused(arguments: argparse.Namespace) -> str | None:
    """What is wrong with the way in which stations are named."""
    if arguments.all and arguments.station:
        return "usage: benchwarden check STATION... or --all, not both"
    if not arguments.all and not arguments.station:
        return "usage: benchwarden check STATION... or --all: no station was named"
    if arguments.json and len(arguments.station) > 1:
        return "usage: --json prints one document: name one station, or say --all for a list"
    return None


def _chosen(arguments: argparse.Namespace, wiring: Wiring) -> list[Station]:
    return list(wiring.stations) if arguments.all else [wiring.station(name) for name in arguments.station]


def _asked(arguments: argparse.Namespace) -> Asked:
    from service.check.asked import asked_of

    names = ("guided", "set_right", "metered_volts", "meter", "alone", "repeats")
    given = {name: getattr(arguments, name) for name in names}
    return asked_of(given | {"only": [name for name in (arguments.only or "").split(",") if name]})


def _check(
    wiring: Wiring, stations: Sequence[Station], asked: Asked, at_once: int
) -> list[Mapping[str, Any]]:
    """In the order of the stations. One that cannot be checked leaves the others theirs."""
    from concurrent.futures import ThreadPoolExecutor

    from drivers.errors import DriverError
    from service.check.document import unchecked
    from service.check.work import check_request, command_check
    from service.cli.person import at_bench
    from service.errors import ServiceError
    from service.room.presence import person_here
    from service.runs import perform

    check_request(asked)
    clock = wiring.journal.clock
    with (
        at_bench(asked.with_a_person) as (person, tell),
        ThreadPoolExecutor(at_once, thread_name_prefix="check") as pool,
    ):

        def one(station: Station) -> Mapping[str, Any]:
            run = wiring.journal.begin(command_check(station, asked, clock, owner=person_here()))

            def told(step: str, message: str, fraction: float) -> None:
                tell(step, f"{station.name}: {message}" if len(stations) > 1 else message, fraction)

            performed = perform(run, station, wiring.tools, progress=told, person=person)
            if performed.document is None:
                assert performed.error is not None
                if len(stations) == 1 or not isinstance(performed.error, (ServiceError, DriverError)):
                    raise performed.error
                return unchecked(station.name, str(performed.error), clock())
            report = wiring.store.report(run.id)
            return performed.document | {"run": {"id": run.id, "report": str(report)}}

        return [done.result() for done in [pool.submit(one, station) for station in stations]]
