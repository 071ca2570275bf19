"""Several kinds at once, kinds that take a number, kinds for one station of several."""

from __future__ import annotations

import pytest

from simulator.benches import BENCHES
from simulator.check_benches import SCALED_BENCHES
from simulator.faults import bench_kinds, bench_plan
from simulator.kinds import examples
from simulator.scope.front_end import probe_tail
from tests.simulator.desk import Desk


def test_a_pair_has_both_faults() -> None:
    """In the order in which they are named."""
    plan = bench_plan(bench="noisy-to-target+probe-ratio-off")
    assert plan.scope.inputs[0].noise_v == 0.035
    assert plan.scope.inputs[1].probe.ratio == 1


@pytest.mark.parametrize("percent", [-20.0, -5.0, -0.5, 0.0, 0.5, 5.0, 20.0])
def test_a_compensation_by_number_has_that_error_by_the_pole_zero_model(percent: float) -> None:
    """First instant over final value, standards.md 6.1; a plus sign in the number joins nothing."""
    plan = bench_plan(bench=f"compensation:{percent:+g}+noisy-to-target")
    assert 100 * probe_tail(plan.scope.inputs[1].probe.trimmer_pf).error == pytest.approx(percent, abs=1e-9)
    assert plan.scope.inputs[0].noise_v == 0.035
    assert probe_tail(plan.scope.inputs[0].probe.trimmer_pf).error == pytest.approx(0.0)


def test_a_kind_may_be_for_one_station_of_a_room() -> None:
    """`@sim-3` leaves the others as they are."""
    for index in range(4):
        plan = bench_plan(bench="time-base:-200@sim-3", index=index)
        assert (plan.scope.clock_ppm == -200.0) is (index == 2)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("noisy+nonsense", "compensation:NUMBER"),
        ("compensation:90", "-25 to 25 %"),
        ("compensation:much", "no number"),
        ("compensation", "no kind"),
        ("", "no kind"),
    ],
)
def test_what_is_no_kind_is_named_with_those_that_there_are(text: str, words: str) -> None:
    """KeyError, not a default."""
    with pytest.raises(KeyError, match=words):
        bench_kinds(text)


def test_every_kind_names_who_sees_it() -> None:
    """One of the words in `Kind.seen_by`."""
    words = {"echo", "check", "usual", "guided", "trigger", "wiggle", "room", "history"}
    assert {row.seen_by for row in BENCHES} | {row.seen_by for row in SCALED_BENCHES} == words
    assert all(row.finding for row in BENCHES if row.seen_by == "trigger")


def test_scaled_kinds_can_be_listed_at_some_values() -> None:
    """Of each family those values that it takes."""
    names = [row.name for row in examples(SCALED_BENCHES, (-20.0, 5.0, 200.0))]
    assert "compensation:-20" in names
    assert "time-base:+200" in names
    assert "gain:+200" not in names


def test_a_trigger_left_wrong_stands_so_at_power_on() -> None:
    """The panel as somebody left it, no error in the queue; *RST brings it right."""
    desk = Desk(bench="trigger-low")
    assert float(desk.ask("TRIG:LEV?")) == -2.0
    assert desk.ask("SYST:ERR?") == '0,"No error"'
    desk.tell("*RST")
    assert float(desk.ask("TRIG:LEV?")) == 0.0
    assert Desk(bench="trigger-endless").ask("INIT:CONT?") == "1"


def test_what_was_left_in_the_error_queue_is_there() -> None:
    """Oldest first."""
    desk = Desk(bench="errors-left")
    assert [desk.ask("SYST:ERR:CODE?") for _ in range(3)] == ["-310", "-321", "0"]


def test_weeks_let_drift_what_drifts() -> None:
    """0.1 % a week: 1 % in ten weeks; a good bench plays by hundredths of a percent, anew each day."""
    new, old = (bench_plan(bench="drifting", age_days=days).scope.inputs[1] for days in (0.0, 70.0))
    assert old.gain_error - new.gain_error == pytest.approx(0.01, abs=1e-3)
    assert old.probe.trimmer_pf - new.probe.trimmer_pf == pytest.approx(0.5)
    gains = {bench_plan(age_days=float(day)).scope.inputs[1].gain_error for day in range(1, 6)}
    assert len(gains) == 5
    assert max(gains) - min(gains) < 2e-3
    assert len({bench_plan(age_days=float(day)).seed for day in range(5)}) == 5
