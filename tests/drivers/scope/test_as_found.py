"""Leaving a scope as it was found, and never leaving it armed, whatever happened to whoever armed it."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import drivers
from drivers.scope.setup import ChannelSetup, ScopeSetup, TriggerSetup
from simulator.bench import Bench, open_benches
from tests.drivers.lantern import Lantern
from tests.drivers.servers import Act, line_server

LANTERN = Path(__file__).parents[1] / "lantern.toml"
SETUP = ScopeSetup(
    {"1": ChannelSetup(5.0, 1.65), "2": ChannelSetup(5.0, 1.65)}, 1e-7, 5000, 0.1, TriggerSetup("1", 1.6)
)
ARM_AND_WAIT = """
import sys, time, drivers
from drivers.scope.setup import ChannelSetup, ScopeSetup, TriggerSetup
scope = drivers.open_scope(sys.argv[1], "scpi-1999")
scope.set_up(ScopeSetup({"1": ChannelSetup(5.0)}, 1e-7, 5000, 0.1, TriggerSetup("1", 1.6)))
scope.arm()
print("armed", flush=True)
time.sleep(60)
"""


@pytest.fixture
def bench() -> Iterator[Bench]:
    with open_benches(seed=21) as (one,):
        yield one


def turn_knobs(bench: Bench) -> None:
    """What somebody did at the front panel before we came."""
    first, second = bench.scope.settings.channels
    first.input_window_v, first.input_centre_v, first.coupling = 2.0, 0.25, "AC"
    first.filtered, second.inverted, second.on = True, "INV", False
    second.corrected, second.loss_db = False, 0.0
    bench.scope.settings.sweep.interval_s, bench.scope.settings.sweep.points = 3e-6, 777
    bench.scope.settings.sweep.location, bench.scope.settings.sweep.offset_s = 0.25, 1e-3
    bench.scope.settings.trigger.level_v, bench.scope.settings.trigger.slope = 0.125, "POS"
    bench.scope.settings.trigger.source, bench.scope.settings.trigger.continuous = "EXT", True


@pytest.mark.parametrize("way", ["socket", "hislip"])
def test_every_setting_that_was_found_comes_back(bench: Bench, way: str) -> None:
    """Those that depend on each other too, words that the dialect does not know, and running on."""
    turn_knobs(bench)
    before = repr(bench.scope.settings)
    with drivers.open_scope(getattr(bench.addresses, way), "scpi-1999", leave_as_found=True) as scope:
        scope.set_up(SETUP)
        assert repr(bench.scope.settings) != before
        left = scope.put_back()
    after = bench.scope.settings
    assert left == ()
    assert repr(after.channels) in before
    assert repr(after.sweep) in before
    assert repr(after.trigger) in before


def test_the_sweep_is_read_as_it_was_found(bench: Bench) -> None:
    """Samples, their distance, and where the trigger lay; the last only while the reference is ours."""
    sweep = bench.scope.settings.sweep
    sweep.interval_s, sweep.points, sweep.location, sweep.offset_s = 3e-6, 101, 0.3, 0.0
    with drivers.open_scope(bench.addresses.hislip, "scpi-1999", leave_as_found=True) as scope:
        found = scope.found
    assert found is not None
    assert found.points == 101
    assert found.interval_s == pytest.approx(3e-6)
    assert found.place == pytest.approx(0.3)
    turn_knobs(bench)
    with drivers.open_scope(bench.addresses.hislip, "scpi-1999", leave_as_found=True) as scope:
        found = scope.found
    assert found is not None
    assert found.place is None


def test_it_is_put_back_on_closing_even_after_a_failure(bench: Bench) -> None:
    """Nobody has to remember it."""
    turn_knobs(bench)
    before = repr(bench.scope.settings.channels)
    with pytest.raises(ZeroDivisionError):
        _fail_after_setting_up(bench.addresses.socket)
    assert repr(bench.scope.settings.channels) == before


def _fail_after_setting_up(address: str) -> None:
    with drivers.open_scope(address, "scpi-1999", leave_as_found=True) as scope:
        scope.set_up(SETUP)
        raise ZeroDivisionError


def test_nothing_is_put_back_unasked(bench: Bench) -> None:
    """The next run finds the scope as this one set it."""
    with drivers.open_scope(bench.addresses.socket, "scpi-1999") as scope:
        scope.set_up(SETUP)
    assert bench.scope.settings.sweep.points == 5000


def test_an_input_is_never_put_back_to_50_ohm(bench: Bench) -> None:
    """Logic levels can damage it; that it is left at 1 megohm is said with the reason."""
    bench.scope.settings.channels[1].impedance = 50.0
    with drivers.open_scope(bench.addresses.socket, "scpi-1999", leave_as_found=True) as scope:
        scope.set_up(SETUP)
        (left,) = scope.put_back()
    assert bench.scope.settings.channels[1].impedance == 1e6
    assert left.setting == "ch2 impedance"
    assert float(left.asked) == 50.0
    assert "on purpose" in str(left.got)


def test_what_cannot_be_put_back_is_told_and_logged(caplog: pytest.LogCaptureFixture) -> None:
    """A scope that refuses its own old value (here: a size it never had) is left with a warning."""
    lantern = Lantern()
    lantern.sense_mv["blue"] = 300  # not a value that can be set
    with (
        line_server(lantern) as server,
        drivers.open_scope(server.socket_address, LANTERN, leave_as_found=True) as scope,
    ):
        scope.set_up(ScopeSetup({"B": ChannelSetup(8.0)}, 1e-6, 1000, 0.5, TriggerSetup("B", 1.0, "rising")))
    assert "chB range was 300 and is left at 1000 (refused: 12 SENSE CANNOT BE 300)" in caplog.text
    assert lantern.shown == {"A": "Y", "B": "Y"}
    assert lantern.hunt == {"ON": "BLUE", "WAY": "UP", "AT": "0"}


def test_a_thing_that_the_scope_cannot_tell_is_not_claimed() -> None:
    """A query that it refuses at first: what was there is unknown, and said to be."""
    lantern = Lantern()
    asked = 0

    def play(line: str) -> Act | None:
        nonlocal asked
        if line == "MIDDLE?" and not asked:
            asked += 1
            return lantern("NONSENSE")
        return lantern(line)

    with (
        line_server(play) as server,
        drivers.open_scope(server.socket_address, LANTERN, timeout_s=0.3, leave_as_found=True) as scope,
    ):
        scope.set_up(ScopeSetup({"A": ChannelSetup(8.0)}, 1e-6, 1000, 0.5, TriggerSetup("A", 1.0, "rising")))
        (left,) = scope.put_back()
    assert (left.setting, left.asked) == ("sweep place", "unknown")
    assert "could not be read" in str(left.got)


def test_the_front_panel_is_given_back_at_the_end(tmp_path: Path) -> None:
    """Where the dialect knows a word for it; after everything else."""
    path = tmp_path / "polite.toml"
    path.write_text(LANTERN.read_text(encoding="utf-8") + '\n[release]\nwrite = "HUSH"\n', encoding="utf-8")
    lantern = Lantern()
    with line_server(lantern) as server, drivers.open_scope(server.socket_address, path):
        pass
    assert lantern.heard[-2:] == ["HUSH", "TROUBLE"]


def test_a_scope_that_is_left_running_by_its_front_panel_can_be_set_up(bench: Bench) -> None:
    """While it arms itself again and again, it would refuse every setting of the record (-221 [read])."""
    bench.scope.settings.trigger.continuous = True
    with drivers.open_scope(bench.addresses.socket, "scpi-1999") as scope:
        assert scope.set_up(SETUP).differences == ()


@pytest.mark.parametrize("way", ["socket", "hislip"])
def test_after_a_kill_the_next_contact_finds_it_armed_and_stops_it(bench: Bench, way: str) -> None:
    """Nobody could stop it when its process was killed; the next one does so before anything else."""
    address = getattr(bench.addresses, way)
    child = subprocess.Popen([sys.executable, "-c", ARM_AND_WAIT, address], stdout=subprocess.PIPE, text=True)
    try:
        assert child.stdout is not None
        assert child.stdout.readline() == "armed\n"
        child.send_signal(signal.SIGKILL)
        child.wait(10)
    finally:
        child.kill()
        child.wait(10)
        child.stdout.close() if child.stdout else None
    assert bench.scope.acquisition.busy
    with drivers.open_scope(address, "scpi-1999") as scope:
        assert not bench.scope.acquisition.busy
        assert scope.errors() == ()
