"""Every fault of an instrument through the real driver: what it comes to, how fast, and what comes next.

`python -m tests.whole.fault_table` prints the table.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

import drivers
from drivers.errors import DriverError, NotReachable, ReplyError, TimedOut
from drivers.scope.capture import Capture
from drivers.scope.scope import Scope
from drivers.scope.setup import ChannelSetup, ScopeSetup, TriggerSetup
from simulator.bench import Bench
from simulator.transports.delivery import ALL, BLOCKS, CONNECTIONS, FAULTS, HISLIP, REFUSED, TEXTS, Fault
from tests.whole.benches import FOREIGN, TRANSPORTS, dialect_of, one_bench

TIMEOUT_S = 0.4
LATEST_S = 3.0
"""An error later than this is late: the time-out, the driver's grace, once more to ask for the reason, and
leave for a busy machine."""
REFUSED_S = 0.3
Branch = type[DriverError] | tuple[type[DriverError], ...]
TEXT, BLOCK, OPENING = "text", "block", "opening"
"""When the fault strikes: at a short answer, at a record, when the connection is made."""
SETUP = ScopeSetup(
    channels={"1": ChannelSetup(range_v=8.0), "2": ChannelSetup(range_v=8.0)},
    sample_interval_s=1e-6,
    points=2000,
    trigger_position=0.5,
    trigger=TriggerSetup("1", level_v=1.65),
)
AFTER = replace(
    SETUP, channels={"1": ChannelSetup(5.12, 1.0), "2": ChannelSetup(5.12, 1.0)}, points=1500
)  # fmt: skip
"""Set afterwards: nothing of it can be answered by what was left over of the record before."""
IDLE_V = 3.28
"""Both lines at rest, as simulator/plan.py has its drivers."""


@dataclass(frozen=True)
class Case:
    """One row to try."""

    fault: Fault
    transport: str
    moment: str
    scope: str = "standard"

    def __str__(self) -> str:
        return f"{self.fault.name}-{self.moment}-{self.transport}-{self.scope}"


@dataclass(frozen=True)
class Told:
    """What it came to; seconds."""

    error: DriverError | None
    """None: the fault did no harm."""
    error_s: float
    recovery_s: float
    during: Capture | None
    """The record that was taken in spite of the fault."""
    after: Capture


def cases(scope: str = "standard") -> Iterator[Case]:
    """Every fault at each moment over each transport that knows it."""
    for fault in FAULTS:
        for moment in MOMENTS.get(fault.name, MOMENTS[fault.works_on]):
            # scopes that say a scale before their record would meet the fault there, at a text
            at_a_text = scope in FOREIGN and moment == BLOCK and fault.works_on != BLOCKS
            for transport in TRANSPORTS:
                if not at_a_text and (fault.works_on != HISLIP or transport == "hislip"):
                    yield Case(fault, transport, moment, scope)


def expected(case: Case) -> Branch | None:
    """The branch of drivers/errors.py that this fault must come to, None when it must do no harm."""
    by_moment = EXPECTED[case.fault.name]
    outcome = by_moment.get(case.moment, by_moment.get("any"))
    return outcome.get(case.transport, outcome.get("any")) if isinstance(outcome, dict) else outcome


def try_case(case: Case) -> Told:
    """Switch the fault on once, take a record, then take another without it."""
    with one_bench(seed=8, scope=case.scope) as bench, contextlib.ExitStack() as stack:
        first, then = (of_this_scope(setup, bench) for setup in (SETUP, AFTER))

        def opened() -> Scope:
            address = getattr(bench.addresses, case.transport)
            return stack.enter_context(drivers.open_scope(address, dialect_of(bench), timeout_s=TIMEOUT_S))

        scope = None if case.moment == OPENING else opened()
        if scope is not None and case.moment == BLOCK:
            shoot(scope, first)
        strike(bench, case)
        begin = time.monotonic()
        error, during = None, None
        try:
            scope = scope or opened()
            if case.moment != BLOCK:
                shoot(scope, first)
            during = scope.fetch()
        except DriverError as raised:
            error = raised
        told_at = time.monotonic()
        while True:  # an instrument that still refuses connections is asked again
            try:
                scope = scope or opened()
                shoot(scope, then)
                after = scope.fetch()
                break
            except NotReachable:
                if time.monotonic() > told_at + LATEST_S:
                    raise
        return Told(error, told_at - begin, time.monotonic() - told_at, during, after)


def of_this_scope(setup: ScopeSetup, bench: Bench) -> ScopeSetup:
    """The same with the names that this scope has for its channels."""
    names = dict(zip(setup.channels, bench.scope.maker.channels, strict=True))
    channels = {names[name]: channel for name, channel in setup.channels.items()}
    return replace(
        setup, channels=channels, trigger=replace(setup.trigger, source=names[setup.trigger.source])
    )


def strike(bench: Bench, case: Case) -> None:
    """The fault works once from now on, or for a short time."""
    with bench.changed:
        bench.scope.switches.set(case.fault.name, REFUSED_S if case.fault.name == REFUSED else 1)


def shoot(scope: Scope, setup: ScopeSetup) -> None:
    """A forced record, complete and not fetched."""
    scope.set_up(setup)
    scope.arm()
    scope.force()
    assert scope.wait(2.0)


def volts(capture: Capture) -> list[float]:
    """Mean of each channel."""
    return [
        float(np.mean(c.codes)) * c.volts_per_code + c.volts_at_code_zero for c in capture.channels
    ]  # fmt: skip


def row(case: Case, told: Told) -> str:
    words = type(told.error).__name__ if told.error else "no harm"
    return (
        f"{case.scope:<10}{case.fault.name:<16}{case.moment:<9}{case.transport:<8}{words:<16}"
        f"{told.error_s:>8.2f}{told.recovery_s:>15.2f}"
    )


def main() -> None:
    for scope in ("standard", *FOREIGN):
        for case in cases(scope):
            print(row(case, try_case(case)), flush=True)


MOMENTS = {
    BLOCKS: (BLOCK,),
    TEXTS: (TEXT,),
    ALL: (TEXT, BLOCK),
    HISLIP: (TEXT, BLOCK),
    CONNECTIONS: (OPENING,),
    REFUSED: (OPENING, TEXT),
}

HEADING = (
    f"{'scope':<10}{'fault':<16}{'strikes':<9}{'over':<8}{'comes to':<16}{'error s':>8}{'next record s':>15}"
)

BLIND: dict[str, Branch] = {"socket": TimedOut, "any": ReplyError}
"""A socket does not show the end of a message: there, what is missing is only waited for."""
GONE = (TimedOut, NotReachable)
"""The library waits on a connection that is closed; where we read past it, the end is seen at once."""
EXPECTED: dict[str, dict[str, Branch | dict[str, Branch] | None]] = {
    "dies-in-block": {"any": {"hislip": NotReachable, "any": GONE}},
    "stalls-in-block": {"any": TimedOut},
    "short-block": {"any": BLIND},
    "long-block": {"any": ReplyError},
    "endless-block": {"any": ReplyError},
    "line-feeds": {"any": None},
    "silent": {"any": TimedOut},
    "stalls-in-text": {"any": TimedOut},
    "late": {"any": TimedOut},
    "drips": {TEXT: None, BLOCK: TimedOut},
    "no-newline": {TEXT: {"socket": TimedOut}, BLOCK: {"socket": ReplyError}},
    "garbage": {"any": ReplyError},
    "non-ascii": {"any": ReplyError},
    "refused": {OPENING: NotReachable, TEXT: {"hislip": NotReachable, "any": TimedOut}},
    "silent-accept": {"any": TimedOut},
    "service-request": {"any": None},
    "interrupted": {"any": TimedOut},
}
"""Fault -> moment -> branch, or transport -> branch. A branch counts with what hangs below it."""

if __name__ == "__main__":
    print(HEADING)
    main()
