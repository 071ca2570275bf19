"""`python -m simulator`: simulated benches on loopback until SIGTERM or SIGINT.

One JSON line per bench on standard output: its station, the addresses of its scope and of its serial link.
Exit codes: 0 after a signal, 2 for wrong usage.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import queue
import signal
import sys
import threading
from collections.abc import Sequence
from pathlib import Path

from simulator.bench import Bench, open_benches
from simulator.faults import BENCHES, FIRMWARES, SCALED_BENCHES, Kind, bench_kinds, kind
from simulator.frame import Frame
from simulator.scope.errors import ScpiError
from simulator.scope.makers import MAKERS
from simulator.scope.switches import Switches
from simulator.transports.delivery import FAULTS, SWITCH_NAMES

LOOK_UP_S = 0.5


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs benches; returns the exit code."""
    options = _parser().parse_args(arguments)
    if options.list:
        print(json.dumps(_kinds()))
        return 0
    # no Event: its lock may be held by the thread that the handler interrupts; this put is reentrant
    stop: queue.SimpleQueue[int] = queue.SimpleQueue()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda got, _frame: stop.put(got))
    if options.end_with_input:
        threading.Thread(target=_wait_for_end, args=(stop,), daemon=True).start()
    with open_benches(
        options.count,
        firmware=options.firmware,
        bench=options.bench,
        seed=options.seed,
        baud=options.baud,
        frame=str(options.frame or _usual_frame(options)),
        memory=options.memory,
        host=options.host,
        clock=options.clock,
        faults=options.fault,
        scope=options.scope,
        age_days=options.age_days,
    ) as benches:
        if options.write_stations:
            try:
                options.write_stations.write_text(stations_file(benches), encoding="utf-8")
            except OSError as error:
                words = f"cannot write {options.write_stations}: {error.strerror}"
                print(f"python -m simulator: error: {words}", file=sys.stderr)
                return 2
        for bench in benches:
            print(json.dumps(bench.addresses.as_json()), flush=True)
        wait_until_told(stop)
    return 0


def wait_until_told(stop: queue.SimpleQueue[int]) -> None:
    """A signal may reach another thread, or this one just before it sleeps: it must look up now and then."""
    while True:
        with contextlib.suppress(queue.Empty):
            stop.get(timeout=LOOK_UP_S)
            return


def _wait_for_end(stop: queue.SimpleQueue[int]) -> None:
    """Whoever started us holds the other end of standard input, however it dies.

    Not through sys.stdin: Python cannot leave while a thread of its own waits in there.
    """
    while os.read(0, 4096):
        pass
    stop.put(0)


def _usual_frame(options: argparse.Namespace) -> Frame:
    """The frame with which the kinds show, where they need a certain one."""
    kinds = [kind(FIRMWARES, options.firmware), *(row for row, _ in bench_kinds(options.bench))]
    return next((Frame.parse(row.frame) for row in kinds if row.frame), Frame())


def stations_file(benches: Sequence[Bench]) -> str:
    """A stations file (TOML) that names these benches."""
    return "\n".join(_station(bench) for bench in benches)


def _station(bench: Bench) -> str:
    addresses, end, maker = bench.addresses, bench.plan.bridge.end, bench.scope.maker
    to_target, from_target = maker.channels
    return (
        "[[station]]\n"
        f'name = "{addresses.station}"\n'
        f'scope = "{addresses.hislip}"\n'
        f'dialect = "{maker.dialect}"\n'
        f'serial = "{addresses.serial}"\n'
        f"baud = {end.baud:g}\n"
        f'frame = "{end.frame}"\n'
        'logic = "3.3"\n'
        "[station.probes]\n"
        f'to_target = {{channel = "{to_target}", ratio = 10}}\n'
        f'from_target = {{channel = "{from_target}", ratio = 10}}\n'
    )


def _kinds() -> dict[str, list[dict[str, str | None]]]:
    rows = {"firmware": FIRMWARES, "bench": BENCHES}
    listed: dict[str, list[dict[str, str | None]]] = {
        name: [
            {
                "name": row.name,
                "about": row.about,
                "finding": row.finding,
                "frame": row.frame,
                "seen_by": row.seen_by,
            }
            for row in kinds
        ]
        for name, kinds in rows.items()
    }
    listed["bench_scaled"] = [
        {"name": f"{row.name}:NUMBER", "about": f"{row.about}, {row.lowest:g} to {row.highest:g} {row.unit}"}
        for row in SCALED_BENCHES
    ]
    listed["scope"] = [{"name": maker.name, "about": maker.about} for maker in MAKERS]
    listed["fault"] = [{"name": fault.name, "about": fault.about} for fault in FAULTS]
    return listed


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m simulator", description="Simulated benches on loopback.")
    parser.add_argument("--count", type=_positive, default=1, help="how many benches")
    parser.add_argument("--firmware", choices=_names(FIRMWARES), default="good", metavar="NAME")
    parser.add_argument(
        "--bench",
        type=_bench,
        default="good",
        metavar="NAME",
        help="NAME, NAME+NAME, NAME:NUMBER, NAME@STATION",
    )
    parser.add_argument(
        "--scope", choices=[maker.name for maker in MAKERS], default="standard", metavar="NAME"
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--baud", type=_positive, default=230400)
    parser.add_argument("--frame", type=_frame, help="such as 8N1 (what the kinds need)")
    parser.add_argument("--memory", type=_positive, default=1_000_000, help="longest record, points")
    parser.add_argument("--host", default="127.0.0.1")
    parser.add_argument("--clock", choices=("real", "virtual"), default="real")
    parser.add_argument(
        "--fault", type=_fault, action="append", default=[], help="a fault switch, NAME or NAME:TIMES"
    )
    parser.add_argument("--age-days", type=float, default=0.0, metavar="N", help="days since it was set up")
    parser.add_argument("--write-stations", type=Path, metavar="FILE", help="writes a ready stations file")
    parser.add_argument(
        "--end-with-input", action="store_true", help="ends when standard input does: with whoever started it"
    )
    parser.add_argument("--list", action="store_true", help="names the kinds as JSON and ends")
    return parser


def _names(rows: Sequence[Kind]) -> list[str]:
    return [row.name for row in rows]


def _positive(text: str) -> int:
    try:
        number = int(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"must be a whole number, was {text!r}") from None
    if number < 1:
        raise argparse.ArgumentTypeError(f"must be at least 1, was {number}")
    return number


def _frame(text: str) -> Frame:
    try:
        return Frame.parse(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def _bench(text: str) -> str:
    try:
        bench_kinds(text)
    except KeyError as error:
        raise argparse.ArgumentTypeError(error.args[0]) from None
    return text


def _fault(text: str) -> str:
    try:
        Switches(SWITCH_NAMES, [text])
    except (ScpiError, ValueError) as error:
        raise argparse.ArgumentTypeError(str(getattr(error, "detail", error))) from None
    return text


if __name__ == "__main__":
    sys.exit(main())
