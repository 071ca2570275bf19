"""Every fault of an answer through the real driver: what it comes to, how fast, and what comes next.

`python -m tests.whole.faults` prints the table.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass

import drivers
from drivers.errors import DriverError
from drivers.scope.scope import Scope
from drivers.scope.setup import ChannelSetup, ScopeSetup, TriggerSetup
from simulator.bench import Bench
from simulator.transports.delivery import CONNECTIONS, FAULTS, HISLIP, Fault
from tests.whole.benches import one_bench

TRANSPORTS = ("socket", "hislip", "vxi11")
TIMEOUT_S = 0.4
POINTS = 2000
SETUP = ScopeSetup(
    channels={"1": ChannelSetup(range_v=8.0), "2": ChannelSetup(range_v=8.0)},
    sample_interval_s=1e-6,
    points=POINTS,
    trigger_position=0.5,
    trigger=TriggerSetup("1", level_v=1.65),
)


@dataclass(frozen=True)
class Told:
    """One row of the table; seconds."""

    fault: str
    transport: str
    error: DriverError | None
    """None: the fault did no harm, the right record came."""
    error_s: float
    recovery_s: float
    points_after: int


def suits(fault: Fault, transport: str) -> bool:
    """Some faults belong to one transport, some to the moment of connecting."""
    return fault.works_on != CONNECTIONS and (fault.works_on != HISLIP or transport == "hislip")


def try_fault(fault: Fault, transport: str) -> Told:
    """Switch the fault on once in the middle of a session, take a record, then take another without it."""
    with (
        one_bench(seed=8) as bench,
        drivers.open_scope(getattr(bench.addresses, transport), "scpi-1999", timeout_s=TIMEOUT_S) as scope,
    ):
        scope.set_up(SETUP)
        _switch(bench, fault, 1)
        begin = time.monotonic()
        error = None
        try:
            _record(scope)
        except DriverError as raised:
            error = raised
        error_s = time.monotonic() - begin
        _switch(bench, fault, 0)
        begin = time.monotonic()
        points = _record(scope)
        return Told(fault.name, transport, error, error_s, time.monotonic() - begin, points)


def _switch(bench: Bench, fault: Fault, times: int) -> None:
    with bench.changed:
        bench.scope.switches.set(fault.name, times)


def _record(scope: Scope) -> int:
    """Points of a forced record of both channels."""
    scope.set_up(SETUP)
    scope.arm()
    scope.force()
    scope.wait(2.0)
    capture = scope.fetch()
    return min(len(channel.codes) for channel in capture.channels)


def rows() -> Iterator[tuple[Fault, str]]:
    for fault in FAULTS:
        for transport in TRANSPORTS:
            if suits(fault, transport):
                yield fault, transport


def main() -> None:
    print(f"{'fault':<18}{'transport':<10}{'comes to':<18}{'after s':>8}{'next record s':>15}")
    for fault, transport in rows():
        told = try_fault(fault, transport)
        words = type(told.error).__name__ if told.error else "no harm"
        print(f"{told.fault:<18}{transport:<10}{words:<18}{told.error_s:>8.2f}{told.recovery_s:>15.2f}")


if __name__ == "__main__":
    main()
