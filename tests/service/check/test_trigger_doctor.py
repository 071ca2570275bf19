"""The trigger doctor over real connections: somebody turned the knobs, it says which and why, with numbers.

The knobs are turned raw, over a second connection, as a person at the panel would.
"""

from __future__ import annotations

import socket
from collections.abc import Iterator

import pytest

from service import acquire
from service.check.trigger import TriggerDiagnosis, diagnose_trigger
from service.hooks import RunCancelled, RunHooks
from service.pipeline.findings import Finding
from simulator.bench import Bench, open_benches
from tests.whole.benches import station_of

GOOD = (
    "SENS1:CORR:STAT ON;:SENS1:CORR:LOSS 20;:SENS1:VOLT:RANG:PTP 8;:SENS1:VOLT:RANG:OFFS 1.65",
    "SENS2:CORR:STAT ON;:SENS2:CORR:LOSS 20;:SENS2:VOLT:RANG:PTP 8;:SENS2:VOLT:RANG:OFFS 1.65",
    "SENS:SWE:POIN 2000;:SENS:SWE:TINT 1E-6;:SENS:SWE:OREF:LOC 0.2",
    "TRIG:SOUR INT1;:TRIG:LEV 1.65;:TRIG:SLOP NEG;:INIT:CONT OFF",
)
"""A panel on which a serial line that idles high triggers well."""


@pytest.fixture(autouse=True)
def _no_bridge_holds_characters_back(monkeypatch: pytest.MonkeyPatch) -> None:
    """A trigger that never comes is waited for on the real clock; the simulated bench's is ahead of it."""
    monkeypatch.setattr(acquire, "TRIGGER_WAIT_S", 0.6)


@pytest.fixture
def bench() -> Iterator[Bench]:
    with open_benches(seed=31) as (one,):
        yield one


def touch(bench: Bench, *commands: str) -> None:
    """What a person did at the panel before the doctor came."""
    _, host, port, _ = bench.addresses.socket.replace("::", " ").split()
    with (
        socket.create_connection((host, int(port)), timeout=5) as panel,
        panel.makefile("rb") as answers,
    ):
        panel.sendall(("\n".join((*GOOD, *commands, "SYST:ERR?")) + "\n").encode())
        assert answers.readline() == b'0,"No error"\n'


def seen(bench: Bench, *commands: str, set_right: bool = False) -> TriggerDiagnosis:
    touch(bench, *commands)
    return diagnose_trigger(station_of(bench), RunHooks(), set_right=set_right)


def panel_of(bench: Bench) -> str:
    """All that a person sees and sets."""
    settings = bench.scope.settings
    return repr((settings.channels, settings.sweep, settings.trigger))


def only(diagnosis: TriggerDiagnosis) -> Finding:
    (finding,) = diagnosis.findings
    return finding


def test_a_good_panel_has_no_finding_and_fires(bench: Bench) -> None:
    """The level lies near the middle of the signal: 1.65 V of 0 to 3.3 V."""
    diagnosis = seen(bench)
    assert diagnosis.findings == ()
    items = {item.name: item for item in diagnosis.items}
    assert items["trigger_faults"].verdict == "pass"
    assert items["found_trigger_misses"].value == 0
    assert items["trigger_margin"].value == pytest.approx(50, abs=2)


def test_a_level_below_the_signal_is_told_with_the_three_numbers(bench: Bench) -> None:
    """-2 V on a 0..3.3 V line (common practice, no source: outside low..high a trigger never fires)."""
    diagnosis = seen(bench, "TRIG:LEV -2")
    finding = only(diagnosis)
    assert finding.code == "trigger-outside-signal"
    assert "level is -2 V" in finding.message
    assert "below the signal" in finding.message
    assert finding.evidence["low_v"] == pytest.approx(0.02, abs=0.05)
    assert finding.evidence["high_v"] == pytest.approx(3.28, abs=0.08)
    assert finding.evidence["mid_v"] == pytest.approx(1.65, abs=0.05)
    assert {i.name: i.value for i in diagnosis.items}["found_trigger_misses"] == 1


def test_a_level_outside_the_five_volt_reference_is_told_too() -> None:
    """The doctor needs no serial signal: both probes hang on a 0..5 V square wave, the level is at -2 V."""
    with open_benches(seed=31, bench="reference-slow") as (other,):
        finding = only(seen(other, "TRIG:LEV -2"))
    assert finding.code == "trigger-outside-signal"
    assert finding.evidence["mid_v"] == pytest.approx(2.5, abs=0.1)


@pytest.mark.parametrize(
    ("commands", "code", "words"),
    [
        (("TRIG:LEV 4.5",), "trigger-outside-signal", "above the signal"),
        (("TRIG:LEV 3.2",), "trigger-outside-signal", "noise decides"),
        (("SENS1:CORR:LOSS 0", "TRIG:LEV 1.65"), "trigger-outside-signal", "10x probe for a 1x one"),
        (("TRIG:SLOP POS",), "trigger-slope-wrong", "idles high"),
        (("TRIG:SOUR EXT",), "trigger-source-quiet", "none of the channels"),
        (("TRIG:SOUR IMM",), "trigger-source-quiet", "none of the channels"),
        (("TRIG:SOUR BUS",), "trigger-source-quiet", "ch1 carries a signal"),
        (("INP1:STAT OFF",), "trigger-source-quiet", "switched off"),
        (("INP1:COUP GRO",), "trigger-source-quiet", "coupled to ground"),
        (("INIT:CONT ON",), "trigger-never-stops", "single shots"),
    ],
)
def test_each_knob_that_is_wrong_is_named(
    bench: Bench, commands: tuple[str, ...], code: str, words: str
) -> None:
    """One wrong knob, one finding, in words that a person can act on."""
    finding = only(seen(bench, *commands))
    assert finding.code == code
    assert words in finding.message
    assert finding.severity == "warning"


def test_a_source_without_a_signal_is_told_from_one_with() -> None:
    """The firmware is silent, so the from-target line stays where it is."""
    with open_benches(seed=31, firmware="silent") as (mute,):
        finding = only(seen(mute, "TRIG:SOUR INT2"))
    assert finding.code == "trigger-source-quiet"
    assert "which stays at 3.2" in finding.message
    assert "ch1 carries a signal between" in finding.message


def test_an_upside_down_channel_turns_levels_and_slope_with_it(bench: Bench) -> None:
    """Shown are 0..-3.3 V, and the first edge rises: both are said of what the panel shows."""
    diagnosis = seen(bench, "INP1:POL INV")
    assert [f.code for f in diagnosis.findings] == ["trigger-outside-signal", "trigger-slope-wrong"]
    assert diagnosis.findings[0].evidence["low_v"] == pytest.approx(-3.28, abs=0.08)


def test_several_faults_are_all_told_in_the_order_in_which_a_person_looks(bench: Bench) -> None:
    """Level, slope, mode."""
    diagnosis = seen(bench, "TRIG:LEV 9;:TRIG:SLOP POS", "INIT:CONT ON")
    codes = [f.code for f in diagnosis.findings]
    assert codes == ["trigger-outside-signal", "trigger-slope-wrong", "trigger-never-stops"]
    assert {i.name: i.value for i in diagnosis.items}["trigger_faults"] == 3


def test_unasked_everything_is_left_as_it_was_found(bench: Bench) -> None:
    """Somebody may want to look at it."""
    touch(bench, "TRIG:LEV -2;:TRIG:SLOP POS", "SENS:SWE:POIN 777")
    before = panel_of(bench)
    diagnosis = diagnose_trigger(station_of(bench), RunHooks())
    assert not diagnosis.set_right
    assert "level 1.6" in diagnosis.proposal
    assert panel_of(bench) == before


def test_asked_it_sets_the_trigger_right_and_nothing_else(bench: Bench) -> None:
    """Windows and sweep are as they were; it fires now, and the findings say that it is done."""
    touch(bench, "SENS:SWE:POIN 777", "TRIG:LEV -2;:TRIG:SLOP POS;:INIT:CONT ON")
    channels, sweep = repr(bench.scope.settings.channels), repr(bench.scope.settings.sweep)
    diagnosis = diagnose_trigger(station_of(bench), RunHooks(), set_right=True)
    assert diagnosis.set_right
    assert {f.severity for f in diagnosis.findings} == {"info"}
    assert "set right: edge trigger, source ch1" in diagnosis.findings[0].message
    assert repr(bench.scope.settings.channels) == channels
    assert repr(bench.scope.settings.sweep) == sweep
    assert bench.scope.settings.trigger.level_v == pytest.approx(1.65, abs=0.05)
    assert (bench.scope.settings.trigger.slope, bench.scope.settings.trigger.continuous) == ("NEG", False)
    assert diagnose_trigger(station_of(bench), RunHooks()).findings == ()


def test_a_source_channel_that_shows_the_signal_wrongly_is_set_right_with_it(bench: Bench) -> None:
    """A level in volts means nothing on a channel that is off and believes in another probe."""
    diagnosis = seen(bench, "SENS1:CORR:STAT OFF", "INP1:STAT OFF", set_right=True)
    assert diagnosis.set_right
    first = bench.scope.settings.channels[0]
    assert (first.on, first.factor) == (True, 10.0)


def test_without_any_signal_it_says_that_there_is_nothing_to_trigger_on() -> None:
    """The adapter's wires are off."""
    with open_benches(seed=31, bench="link-dead") as (dead,):
        diagnosis = seen(dead, set_right=True)
    assert [f.code for f in diagnosis.findings] == ["link-silent"]
    assert not diagnosis.set_right
    assert diagnosis.proposal.startswith("nothing")


def test_a_trigger_circuit_that_cannot_be_moved_is_no_knob() -> None:
    """It sits at -2 V and says so: set right is tried and does not help, and this is what is told."""
    with open_benches(seed=31, bench="trigger-outside") as (stuck,):
        diagnosis = seen(stuck, set_right=True)
    assert not diagnosis.set_right
    assert {f.code for f in diagnosis.findings} == {"trigger-outside-signal"}
    assert "warning" in {f.severity for f in diagnosis.findings}


def test_it_can_be_stopped_and_leaves_the_panel_as_it_was(bench: Bench) -> None:
    """Between two looks."""
    touch(bench, "TRIG:LEV -2")
    before = panel_of(bench)
    told: list[str] = []
    hooks = RunHooks(progress=lambda step, _m, _f: told.append(step), cancelled=lambda: len(told) > 1)
    with pytest.raises(RunCancelled):
        diagnose_trigger(station_of(bench), hooks)
    assert panel_of(bench) == before


@pytest.mark.parametrize("transport", ["hislip", "vxi11"])
def test_it_speaks_over_every_transport(bench: Bench, transport: str) -> None:
    """The same words however the scope is reached."""
    touch(bench, "TRIG:LEV -2")
    diagnosis = diagnose_trigger(station_of(bench, transport), RunHooks(), set_right=True)
    assert [f.code for f in diagnosis.findings] == ["trigger-outside-signal"]
    assert diagnosis.set_right
