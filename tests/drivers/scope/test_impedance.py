"""The input is at 1 megohm unless somebody says otherwise, and never stays at 50 ohm."""

from __future__ import annotations

import contextlib

import pytest

import drivers
from drivers.errors import InstrumentError, RequestError
from drivers.scope.setup import ChannelSetup, ScopeSetup, TriggerSetup
from simulator.bench import Bench
from tests.whole.benches import dialect_of, one_bench

SWITCHABLE = ("standard", "gannet")
"""One says ohms, the other words."""


def setup(bench: Bench, first_ohm: float) -> ScopeSetup:
    first, second = bench.scope.maker.channels
    return ScopeSetup(
        channels={first: ChannelSetup(8.0, impedance_ohm=first_ohm), second: ChannelSetup(8.0)},
        sample_interval_s=1e-6,
        points=1000,
        trigger_position=0.5,
        trigger=TriggerSetup(first, 1.65),
    )


def address_of(bench: Bench) -> str:
    return bench.addresses.socket


def at_the_scope(bench: Bench) -> list[float]:
    return [channel.impedance for channel in bench.scope.settings.channels]


@pytest.mark.parametrize("scope", SWITCHABLE)
def test_an_input_goes_to_50_ohm_only_when_told_and_is_back_at_the_end(scope: str) -> None:
    """Read back, kept in the state, and 1 megohm again when the session ends, however it ends."""
    with one_bench(scope=scope, seed=3) as bench:
        with (
            contextlib.suppress(KeyError),
            drivers.open_scope(address_of(bench), dialect_of(bench)) as opened,
        ):
            state = opened.set_up(setup(bench, 50.0))
            assert [channel.impedance_ohm for channel in state.channels.values()] == [50.0, 1e6]
            assert at_the_scope(bench) == [50.0, 1e6]
            opened.arm()
            opened.force()
            assert opened.wait(2.0)
            record = opened.fetch().channel(bench.scope.maker.channels[0])
            assert record.settings["impedance_ohm"] == 50.0
            raise KeyError
        assert at_the_scope(bench) == [1e6, 1e6]


@pytest.mark.parametrize("scope", SWITCHABLE)
def test_an_input_that_somebody_left_at_50_ohm_is_switched_back(scope: str) -> None:
    """Before anything else is set: also after a program that was killed."""
    with one_bench(scope=scope, seed=3) as bench:
        for channel in bench.scope.settings.channels:
            channel.impedance = 50.0
        with drivers.open_scope(bench.addresses.socket, dialect_of(bench)) as opened:
            opened.set_up(setup(bench, 1e6))
            assert at_the_scope(bench) == [1e6, 1e6]


def test_an_input_that_does_not_go_to_50_ohm_is_told() -> None:
    """What reads back as something else is an error, not a surprise."""
    with one_bench(seed=3) as bench, drivers.open_scope(bench.addresses.socket, "scpi-1999") as opened:
        opened.set_up(setup(bench, 50.0))
        bench.scope.settings.channels[0].impedance = 1e6
        with pytest.raises(InstrumentError, match="was set to 50 ohm and reads back as"):
            opened._panel._back.read(setup(bench, 50.0))


def test_what_a_scope_cannot_do_is_a_wrong_request() -> None:
    """A fixed input, and values that no input has."""
    with (
        one_bench(scope="curlew", seed=3) as bench,
        drivers.open_scope(bench.addresses.socket, dialect_of(bench)) as opened,
        pytest.raises(RequestError, match="cannot be switched to 50 ohm"),
    ):
        opened.set_up(setup(bench, 50.0))
    with pytest.raises(RequestError, match="1e6 or 50, was 75"):
        ChannelSetup(8.0, impedance_ohm=75.0)
