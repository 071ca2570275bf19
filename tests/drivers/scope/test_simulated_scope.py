"""The driver with the standard dialect against the simulated bench, over real sockets: two sides that were
written apart, each from the standard."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

import drivers
from drivers.errors import InstrumentError, NotReachable, ReplyError, RequestError
from drivers.scope.dialect_reader import load_dialect
from drivers.scope.fetching import fetch_channel
from drivers.scope.scope import Scope
from drivers.scope.setup import ChannelSetup, ScopeSetup, TriggerSetup
from drivers.target.target import Target
from simulator.bench import Addresses, open_benches

SETUP = ScopeSetup(
    channels={"1": ChannelSetup(range_v=5.0, offset_v=1.65), "2": ChannelSetup(range_v=5.0, offset_v=1.65)},
    sample_interval_s=1e-7,
    points=5000,
    trigger_position=0.1,
    trigger=TriggerSetup("1", 1.6, "falling"),
)


@pytest.fixture(params=["socket", "hislip"])
def way(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def addresses() -> Iterator[Addresses]:
    with open_benches(seed=11) as (bench,):
        yield bench.addresses


@pytest.fixture
def scope(addresses: Addresses, way: str) -> Iterator[Scope]:
    with drivers.open_scope(getattr(addresses, way), "scpi-1999") as opened:
        yield opened


@pytest.fixture
def target(addresses: Addresses) -> Iterator[Target]:
    with drivers.open_target(addresses.serial, 230400) as opened:
        yield opened


def test_every_setting_is_taken_and_read_back(scope: Scope) -> None:
    """Nothing differs, nothing is complained of, the inputs are at 1 megohm."""
    state = scope.set_up(SETUP)
    assert state.differences == ()
    assert {c.impedance_ohm for c in state.channels.values()} == {1e6}
    assert [c.probe_ratio for c in state.channels.values()] == pytest.approx([10.0, 10.0])
    assert state.start_s == pytest.approx(-0.1 * 4999 * 1e-7)
    assert scope.errors() == ()


def test_one_character_triggers_and_both_lines_come_out(scope: Scope, target: Target) -> None:
    """The falling edge of the start bit lies at time zero; both lines idle high at 3.3 V (common
    practice)."""
    scope.set_up(SETUP)
    scope.arm()
    assert not scope.is_done()
    target.send(b"T")
    assert scope.wait(10.0)
    capture = scope.fetch()
    assert target.receive(1, 5.0) == b"T"
    assert [record.name for record in capture.channels] == ["1", "2"]
    sent = capture.channel("1")
    assert sent.codes.dtype == np.int8
    assert len(sent.codes) == 5000
    volts = sent.codes * sent.volts_per_code + sent.volts_at_code_zero
    zero = round(-capture.start_s / capture.sample_interval_s)
    assert volts[: zero - 2] == pytest.approx(3.3, abs=0.15)
    assert volts[zero + 3] == pytest.approx(0.0, abs=0.15)
    assert capture.trigger.fired
    assert capture.identity == scope.identity
    assert capture.taken_at.endswith("Z")
    assert capture.settings["dialect"] == "scpi-1999"
    assert sent.settings["probe_ratio"] == pytest.approx(10.0)


VOLTS = {
    "real-32": ('"FORM:DATA REAL,32"', 'data = "volts"\n[fetch.real]\nbits = 32'),
    "real-64-swapped": (
        '"FORM:DATA REAL,64", "FORM:BORD SWAP"',
        'data = "volts"\n[fetch.real]\nbits = 64\nbyte_order = "little"',
    ),
    "ascii": ('"FORM:DATA ASC"', 'data = "volt-numbers"'),
}


@pytest.mark.parametrize("kind", VOLTS)
def test_volts_give_the_same_codes_as_codes(scope: Scope, target: Target, tmp_path: Path, kind: str) -> None:
    """One record of traffic fetched both ways: a scope that sends only voltages loses nothing."""
    before, data = VOLTS[kind]
    path = tmp_path / "volts.toml"
    path.write_text(
        f'schema = 1\nname = "volts"\nbased_on = "scpi-1999"\n[fetch]\nbefore = [{before}]\n'
        f'query = "FETC:VOLT? (@{{channel}})"\n{data}\n[fetch.terms]\nwindow = {{setting = "range"}}\n'
        'codes_per_window = 256\nvolts_at_reference = {setting = "offset"}\n',
        encoding="utf-8",
    )
    state = scope.set_up(SETUP)
    scope.arm()
    target.send(b"T")
    assert scope.wait(10.0)
    wanted = scope.fetch().channel("1")
    record, _ = fetch_channel(load_dialect(path), scope.conversation, state, "1")
    assert np.array_equal(record.codes, wanted.codes)
    assert (record.volts_per_code, record.codes.dtype) == (wanted.volts_per_code, wanted.codes.dtype)


def test_volts_by_the_wrong_terms_are_refused(scope: Scope, tmp_path: Path) -> None:
    """200 codes to the window instead of 256: the voltages do not lie on such steps."""
    path = tmp_path / "volts.toml"
    path.write_text(
        'schema = 1\nname = "volts"\nbased_on = "scpi-1999"\n[fetch]\nbefore = "FORM:DATA REAL,32"\n'
        'query = "FETC:VOLT? (@{channel})"\ndata = "volts"\n[fetch.terms]\nwindow = {setting = "range"}\n'
        'codes_per_window = 200\nvolts_at_reference = {setting = "offset"}\n',
        encoding="utf-8",
    )
    state = scope.set_up(SETUP)
    scope.arm()
    scope.force()
    assert scope.wait(10.0)
    with pytest.raises(ReplyError, match="between two steps"):
        fetch_channel(load_dialect(path), scope.conversation, state, "1")


def test_without_a_signal_it_waits_and_a_forced_trigger_shows_the_idle_line(scope: Scope) -> None:
    """A trigger that was forced is no trigger that fired."""
    scope.set_up(SETUP)
    scope.arm()
    assert not scope.wait(0.02)
    scope.force()
    assert scope.wait(10.0)
    capture = scope.fetch()
    assert not capture.trigger.fired
    record = capture.channel("2")
    assert record.codes * record.volts_per_code + record.volts_at_code_zero == pytest.approx(3.3, abs=0.15)


def test_an_armed_scope_is_left_idle(addresses: Addresses, way: str) -> None:
    """However the block was left; and the next one finds nothing in the error queue."""
    with pytest.raises(ZeroDivisionError):
        _fail_while_armed(getattr(addresses, way))
    with drivers.open_scope(getattr(addresses, way), "scpi-1999") as scope:
        assert scope.is_done()
        assert scope.errors() == ()


def _fail_while_armed(address: str) -> None:
    with drivers.open_scope(address, "scpi-1999") as scope:
        scope.set_up(SETUP)
        scope.arm()
        raise ZeroDivisionError


def test_setting_up_again_stops_a_shot_that_is_armed(scope: Scope) -> None:
    """Settings of the record cannot be changed while it is taken (-221 [read]): it is stopped first."""
    scope.set_up(SETUP)
    scope.arm()
    assert scope.set_up(SETUP).differences == ()


def test_what_the_scope_can_do_is_asked(scope: Scope) -> None:
    """The memory of the simulated bench, and its fastest sampling."""
    assert scope.limits.points_max == 1_000_000
    assert scope.limits.sample_interval_min_s == pytest.approx(1e-9)


def test_a_record_longer_than_the_memory_is_refused_in_the_scopes_words(
    addresses: Addresses, way: str
) -> None:
    """-222 Data out of range (SCPI-1999 vol. 2 ch. 21 [read]) travels with the error."""
    with drivers.open_scope(getattr(addresses, way), "scpi-1999") as scope:
        too_long = ScopeSetup(SETUP.channels, 1e-7, 2_000_000, 0.1, SETUP.trigger)
        with pytest.raises(InstrumentError) as caught:
            scope.set_up(too_long)
        assert [number for number, _ in caught.value.entries] == [-222]
        assert scope.set_up(SETUP).points == 5000


def test_a_query_that_it_does_not_know_is_told_in_its_own_words(addresses: Addresses, way: str) -> None:
    """-113 Undefined header instead of a mere time-out; the session goes on."""
    with drivers.open_scope(getattr(addresses, way), "scpi-1999", timeout_s=0.3) as scope:
        with pytest.raises(InstrumentError) as caught:
            scope._talk.ask("SENS1:COLOUR?")
        assert caught.value.entries[0][0] == -113
        assert scope.set_up(SETUP).points == 5000


def test_the_self_test_passes(scope: Scope) -> None:
    """`*TST?` answers 0 (IEEE 488.2 10.38)."""
    assert scope.self_test() is True


def test_a_reset_forgets_the_setup(scope: Scope) -> None:
    """After it nothing can be armed by accident."""
    scope.set_up(SETUP)
    scope.reset()
    with pytest.raises(RequestError):
        scope.arm()


def test_a_scope_that_dies_while_sending_a_record_is_lost_and_comes_back(way: str) -> None:
    """The error names the scope; a new run on the same bench works without a person."""
    with open_benches(seed=12, faults=("dies-in-block:1",)) as (bench,):
        address = getattr(bench.addresses, way)
        with drivers.open_scope(address, "scpi-1999", timeout_s=0.5) as scope:
            scope.set_up(SETUP)
            scope.arm()
            scope.force()
            assert scope.wait(10.0)
            with pytest.raises(NotReachable, match=r"127\.0\.0\.1"):
                scope.fetch()
        with drivers.open_scope(address, "scpi-1999", timeout_s=0.5) as scope:
            scope.set_up(SETUP)
            scope.arm()
            scope.force()
            assert scope.wait(10.0)
            assert len(scope.fetch().channel("1").codes) == 5000


def test_a_scope_that_was_switched_on_says_so_once(addresses: Addresses, way: str) -> None:
    """IEEE 488.2 11.5.1: bit 7 of the standard event register, 128; reading it clears it. Opening clears all
    status, so it must be read before."""
    address = getattr(addresses, way)
    with drivers.open_scope(address, "scpi-1999") as scope:
        assert scope.switched_on, "it has just been started"
    with drivers.open_scope(address, "scpi-1999") as scope:
        assert scope.switched_on is False
        scope.conversation.tell(["DIAG:PERS:POW:CYCL"])
        assert not scope.switched_on_again, "nobody has asked yet"
        scope.conversation.link.reopen()
        assert scope.switched_on_again
        assert scope.switched_on is False, "at the first contact it was not"
    with drivers.open_scope(address, "scpi-1999") as scope:
        assert scope.switched_on is False


def test_a_dialect_without_the_entry_claims_nothing(addresses: Addresses, tmp_path: Path) -> None:
    """None, and nothing is asked: scopes whose dialect has no such register stay as they are."""
    path = tmp_path / "old.toml"
    path.write_text('schema = 1\nname = "old"\nbased_on = "scpi-1999"\nwithout = ["event_status"]\n')
    with drivers.open_scope(addresses.socket, path) as scope:
        assert scope.switched_on is None
        scope.conversation.tell(["DIAG:PERS:POW:CYCL"])
        scope.conversation.link.reopen()
        assert not scope.switched_on_again
