"""Whatever ends a run, the scope is not left armed or locked: at the next contact at the latest."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

import drivers
from drivers.errors import DriverError
from service.echo_test import run_echo_test
from service.hooks import RunCancelled, RunHooks
from simulator.bench import Bench
from simulator.scope.acquisition import IDLE
from simulator.scope.makers import MAKERS
from tests.simulator.clients import Hislip
from tests.whole.benches import TEXT, dialect_of, one_bench, station_of
from tests.whole.fault_table import SETUP, of_this_scope

HOME = Path(__file__).resolve().parents[2]
SCOPES = [maker.name for maker in MAKERS]
KILLED_WHILE_ARMED = """
import os, signal, sys
import drivers
from tests.whole.fault_table import SETUP
from dataclasses import replace
scope = drivers.open_scope(sys.argv[1], sys.argv[2])
names = sys.argv[3:]
scope.set_up(replace(SETUP, channels=dict(zip(names, SETUP.channels.values(), strict=True)),
                     trigger=replace(SETUP.trigger, source=names[0])))
scope.arm()
os.kill(os.getpid(), signal.SIGKILL)
"""


def is_idle(bench: Bench) -> bool:
    """Not armed, and no controller holds a lock on it."""
    with Hislip(bench.addresses.hislip) as session:
        exclusive, holders = session.call(24)[1:3]
    return bench.scope.acquisition.state == IDLE and (exclusive, holders) == (0, 0)


@pytest.mark.parametrize("transport", ["socket", "hislip", "vxi11"])
@pytest.mark.parametrize("scope", SCOPES)
def test_a_program_that_is_killed_leaves_it_armed_only_until_the_next_contact(
    scope: str, transport: str
) -> None:
    """Nobody can tidy up in a killed process: whoever opens the scope next stops it first."""
    with one_bench(scope=scope, seed=3) as bench:
        address, names = getattr(bench.addresses, transport), bench.scope.maker.channels
        child = subprocess.run(
            [
                sys.executable,
                "-c",
                KILLED_WHILE_ARMED,
                address,
                dialect_of(bench),
                *names,
            ],
            env={**os.environ, "PYTHONPATH": str(HOME)},
            timeout=40,
            check=False,
        )
        assert child.returncode == -signal.SIGKILL
        assert bench.scope.acquisition.state != IDLE
        drivers.open_scope(address, dialect_of(bench)).close()
        assert is_idle(bench)


@pytest.mark.parametrize("scope", SCOPES)
def test_a_cancelled_run_leaves_it_idle(scope: str) -> None:
    """At whatever moment it is cancelled: each question that the run asks of its canceller is one."""
    moments = 0
    with one_bench(scope=scope, seed=3) as bench:
        for moment in range(1, 40, 9):
            asked = 0

            def cancelled(at: int = moment) -> bool:
                nonlocal asked
                asked += 1
                return asked > at

            try:
                run_echo_test(station_of(bench), b"A", RunHooks(cancelled=cancelled))
            except RunCancelled:
                moments += 1
            assert is_idle(bench)
    assert moments > 1


@pytest.mark.parametrize("fault", ["silent", "stalls-in-text", "garbage"])
def test_an_error_while_it_is_armed_leaves_it_idle(fault: str) -> None:
    """The session is lost; on the way out a new one stops the shot."""
    with one_bench(seed=3) as bench:
        with drivers.open_scope(bench.addresses.socket, "scpi-1999", timeout_s=0.3) as scope:
            scope.set_up(of_this_scope(SETUP, bench))
            scope.arm()
            assert not is_idle(bench)
            with bench.changed:
                bench.scope.switches.set(fault, 1)
            with pytest.raises(DriverError):
                scope.is_done()
        assert is_idle(bench)


def test_a_run_that_an_instrument_error_ends_leaves_it_idle() -> None:
    """A record breaks off in the middle: an error for the run, an idle scope for the next."""
    with one_bench(seed=3, faults=("stalls-in-block:1",)) as bench:
        with pytest.raises(DriverError):
            run_echo_test(station_of(bench), TEXT, RunHooks())
        assert is_idle(bench)
