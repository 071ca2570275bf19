"""A worker that may be killed at a chosen moment of a run: `python -m tests.durability.victim`, told by JSON.

{"data": DIR, "database": URL or "", "stations": [...], "name": NAME, "die": "before 7" | "after 7" | ""}
`die` counts the changes of the database that belong to runs; at that one the process kills itself, as a power
cut would: nothing is closed, nothing is said. It prints one line a change, and "ready" when it works.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
from collections.abc import Callable
from typing import Any, TypeVar

from service.pipeline.readings import FrameFormat
from service.settings import read_settings
from service.stations import Probe, Station
from service.transactions import Transactions
from service.wiring import build, post_of

T = TypeVar("T")


def main() -> None:
    """Works until its standard input is closed."""
    told = json.loads(sys.stdin.readline())
    _arrange_death(told["die"])
    settings = read_settings(
        {"data": told["data"], "database": told["database"], "locks": told["locks"], "port": 0}, env={}
    )
    stations = [station_of(entry) for entry in told["stations"]]
    post = post_of(settings, told.get("own"), told["name"])
    wiring = build(settings, stations=stations, post=post)
    wiring.engine.start()
    print("ready", flush=True)
    sys.stdin.read()
    wiring.engine.close()


def station_of(entry: dict[str, Any]) -> Station:
    """A station of simulated benches, from name, scope and serial."""
    return Station(
        **entry,
        dialect="scpi-1999",
        baud=230_400.0,
        frame=FrameFormat(8, "N", 1),
        logic="3.3",
        probes={"to_target": Probe("1", 10), "from_target": Probe("2", 10)},
    )


def _arrange_death(die: str) -> None:
    when, _, number = die.partition(" ")
    count, guard = 0, threading.Lock()
    real = Transactions.change

    def change(self: Transactions, what: str, work: Callable[[Any], T], **more: Any) -> T:
        nonlocal count
        with guard:
            count += 1
            mine = count
        print(f"{mine} {what}", flush=True)
        if (when, number) == ("before", str(mine)):
            os.kill(os.getpid(), signal.SIGKILL)
        result: T = real(self, what, work, **more)
        if (when, number) == ("after", str(mine)):
            os.kill(os.getpid(), signal.SIGKILL)
        return result

    Transactions.change = change  # type: ignore[method-assign]


if __name__ == "__main__":
    main()
