"""However an instrument fails: the right error in time, nothing stale, and the next run works unaided."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest

import drivers
from drivers.errors import DriverError
from service.echo_test import run_echo_test
from service.hooks import RunHooks
from simulator.transports.delivery import FAULTS, HISLIP
from tests.whole.benches import FOREIGN, TEXT, TRANSPORTS, one_bench, station_of
from tests.whole.fault_table import (
    AFTER,
    HEADING,
    IDLE_V,
    LATEST_S,
    TIMEOUT_S,
    Case,
    cases,
    expected,
    row,
    shoot,
    strike,
    try_case,
    volts,
)

ALL_CASES = tuple(cases())
A_FEW = (
    ("stalls-in-block", "socket"),
    ("interrupted", "hislip"),
    ("garbage", "hislip"),
    ("dies-in-block", "socket"),
)
"""Of the faults on scopes of other vocabularies; all of them in the long run."""
FOREIGN_CASES = [
    pytest.param(
        case, id=str(case), marks=() if (case.fault.name, case.transport) in A_FEW else pytest.mark.soak
    )
    for scope in FOREIGN
    for case in cases(scope)
]


@pytest.fixture(scope="module", autouse=True)
def _library_is_left() -> Iterator[None]:
    """The library cannot be called back from a peer that takes a connection and stays mute: its thread leaves
    after a fixed 5 s, and its socket with it."""
    yield
    for thread in threading.enumerate():
        if thread.name.startswith("visa "):
            thread.join(10)


@pytest.mark.parametrize("case", ALL_CASES, ids=str)
def test_a_fault_ends_in_the_right_error_and_the_next_record_is_true(case: Case) -> None:
    """The branch of drivers/errors.py that helps, within the deadline, with the address; the record after it
    has the settings and the volts that were asked for then."""
    told = try_case(case)
    print(f"\n{HEADING}\n{row(case, told)}" if case is ALL_CASES[0] else f"\n{row(case, told)}", end="")
    branch = expected(case)
    assert told.error is None if branch is None else isinstance(told.error, branch), repr(told.error)
    assert told.error_s < LATEST_S
    if told.error is not None:
        assert told.error.address is not None
    assert [len(channel.codes) for channel in told.after.channels] == [AFTER.points, AFTER.points]
    assert volts(told.after) == pytest.approx([IDLE_V, IDLE_V], abs=0.1)


@pytest.mark.parametrize("case", FOREIGN_CASES)
def test_so_it_does_on_a_scope_of_another_vocabulary(case: Case) -> None:
    """Windows, a scale line, a queue of its own: nothing of it may hide a fault or leave one behind."""
    told = try_case(case)
    branch = expected(case)
    assert told.error is None if branch is None else isinstance(told.error, branch), repr(told.error)
    assert told.error_s < LATEST_S
    assert volts(told.after) == pytest.approx([IDLE_V, IDLE_V], abs=0.1)


@pytest.mark.parametrize("transport", TRANSPORTS)
def test_a_record_that_is_all_line_feeds_is_read_as_it_is(transport: str) -> None:
    """0x0A is the code 10: data, however many of them there are."""
    fault = next(f for f in FAULTS if f.name == "line-feeds")
    told = try_case(Case(fault, transport, "block"))
    assert told.during is not None
    assert set(told.during.channels[0].codes.tolist()) == {10}


RUNS = [
    pytest.param(fault, TRANSPORTS[number % 3] if fault.works_on != HISLIP else "hislip", id=fault.name)
    for number, fault in enumerate(FAULTS)
]


@pytest.mark.parametrize(("fault", "transport"), RUNS)
def test_the_next_run_on_that_station_works_without_a_person(fault: object, transport: str) -> None:
    """A session met the fault and ended; an echo test right after it, or when it is back, passes."""
    case = next(c for c in ALL_CASES if c.fault is fault and c.transport == transport)
    with one_bench(seed=8) as bench:
        strike(bench, case)
        try:
            with drivers.open_scope(
                getattr(bench.addresses, transport), "scpi-1999", timeout_s=TIMEOUT_S
            ) as scope:
                shoot(scope, AFTER)
                scope.fetch()
        except DriverError:
            pass  # which one it must be is the promise above
        bench.scope.switches.set("refused", 0)
        document = run_echo_test(station_of(bench, transport), TEXT, RunHooks())
    assert document["verdict"] == "pass"


def test_every_fault_switch_has_an_outcome_that_is_promised() -> None:
    """A new switch without a row in the table fails here."""
    assert {case.fault.name for case in ALL_CASES} == {fault.name for fault in FAULTS}
    for case in ALL_CASES:
        expected(case)
