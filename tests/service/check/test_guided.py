"""A guided check over real connections: a simulated person does each step, or the wrong one, or nothing."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any

import pytest

from service.check.guided import Guided, GuidedOptions, walk_guided
from service.room_rules import RoomRules, all_of, urgent
from simulator.bench import Bench, open_benches
from simulator.plan import FROM_TARGET, REFERENCE, TO_TARGET
from tests.service.check.hands import Hands, Person
from tests.whole.benches import station_of


@pytest.fixture
def bench() -> Iterator[Bench]:
    with open_benches(seed=41) as (one,):
        yield one


def walked(bench: Bench, person: Person | None = None, **changes: Any) -> Guided:
    person = person or Person(Hands(bench))
    return walk_guided(station_of(bench, **changes), person.hooks())


def serious(found: Guided) -> list[tuple[str, str | None]]:
    return [(f.code, f.line) for f in found.findings if f.severity != "info"]


def failed(found: Guided) -> list[str]:
    return [item.name for item in found.items if item.verdict == "fail"]


def test_a_good_bench_is_walked_through_without_a_finding(bench: Bench) -> None:
    """Five steps, each seen by the run itself but the first; every item passes."""
    person = Person(Hands(bench))
    found = walked(bench, person)
    assert serious(found) == []
    assert [i.because for i in found.items if i.verdict != "pass"] == []
    assert [p["step"] for p in person.prompts] == [1, 2, 3, 4, 5]
    assert {p["of"] for p in person.prompts} == {5}
    steps = found.more["guided"]["steps"]
    assert [step["by"] for step in steps] == ["person", "bench", "bench", "bench", "bench"]
    assert found.more["guided"]["volts"] == "reference only"
    assert "not proven" in found.more["guided"]["time_base"]


def test_every_step_has_its_cautions_and_the_first_ones_are_general(bench: Bench) -> None:
    """Ground clip first at each step where a tip is moved."""
    person = Person(Hands(bench))
    walked(bench, person)
    first, *rest = person.prompts
    assert first["caution"][0].startswith("Local rules")
    assert all(prompt["caution"][0].startswith("Ground clip first") for prompt in rest)
    assert first["emergency"][0].startswith("Nobody has entered this room's emergency numbers")


def test_the_rooms_emergency_numbers_stand_at_every_step(bench: Bench) -> None:
    """Whole at the first step, with who approved them; then what must go fast (needs, 9.11)."""
    person = Person(Hands(bench))
    room = RoomRules("4711, then 112", "red button beside the door", "I. Holm", "2027-01-04")
    walk_guided(dataclasses.replace(station_of(bench), room=room), person.hooks())
    first, *rest = person.prompts
    assert first["emergency"] == list(all_of(room))
    assert "approved by I. Holm on 2027-01-04" in first["emergency"][-1]
    assert all(prompt["emergency"] == list(urgent(room)) for prompt in rest)


@pytest.mark.parametrize(
    ("channel", "role", "picofarad", "percent"),
    [
        (1, "to_target", 14.7, 19.8),
        pytest.param(2, "from_target", 12.9, 6.7, marks=pytest.mark.soak),
        pytest.param(1, "to_target", 11.1, -6.8, marks=pytest.mark.soak),
        (2, "from_target", 9.4, -19.9),
    ],
)
def test_compensation_is_found_with_its_sign_and_trimmed_live(
    bench: Bench, channel: int, role: str, picofarad: float, percent: float
) -> None:
    """Pole-zero model, C2 = 108 pF: C1/(C1+C2)/0.1 - 1 (standards 6.1: 15 pF +21.95 %, 9 pF -23.08 %)."""
    hands = Hands(bench)
    hands.trim(channel, picofarad)
    person = Person(hands)
    found = walked(bench, person)
    assert serious(found) == []
    over = [f for f in found.findings if f.line == role]
    assert [f.code for f in over] == [f"probe-{'over' if percent > 0 else 'under'}compensated"]
    assert over[0].evidence["percent"] == pytest.approx(percent, abs=0.3)
    assert "put right" in over[0].message
    assert hands.trimmer(channel) == pytest.approx(12.0, abs=0.15)
    assert {i.name: i.verdict for i in found.items}[f"{role}.compensation"] == "pass"
    trimming = [look.text for look in person.looks if "compensated by" in look.text]
    assert any("better: go on" in text for text in trimming)


def test_turning_the_wrong_way_is_told_and_leaves_the_finding(bench: Bench) -> None:
    """The person turns until the trimmer stops."""
    hands = Hands(bench)
    hands.trim(2, 13.0)
    person = Person(
        hands, {"trimmer of the probe of ch2": lambda: hands.trim(2, min(hands.trimmer(2) + 0.3, 16.0))}
    )
    found = walked(bench, person)
    assert serious(found) == [("probe-overcompensated", "from_target")]
    assert any("worse: turn the other way" in look.text for look in person.looks)
    assert "capacitance falls" in found.findings[0].remedy
    assert failed(found) == ["from_target.compensation"]


@pytest.mark.parametrize(("channel", "role"), [(1, "to_target"), (2, "from_target")])
def test_a_factor_of_ten_is_told_with_both_causes_and_put_right(
    bench: Bench, channel: int, role: str
) -> None:
    """5 V shows as 50 V (common practice, no source): the switch, or the factor that the scope is set to."""
    hands = Hands(bench)
    hands.switch(channel, 1)
    found = walked(bench, Person(hands))
    assert serious(found) == []
    (was,) = [f for f in found.findings if f.code == "probe-ratio"]
    assert was.line == role
    assert "ten times the 5 V" in was.message
    assert "the switch on the probe stands at 1x" in was.message
    assert "the factor that the scope is set to (10x" in was.message


def test_a_wrong_factor_in_the_stations_file_stays_a_finding(bench: Bench) -> None:
    """The switch is right, so the person leaves the step out; a tenth is told as such."""
    from service.stations import Probe

    probes = {"to_target": Probe("1", 10), "from_target": Probe("2", 1)}
    person = Person(Hands(bench), {"switch of the probe of ch2": lambda: None})
    found = walked(bench, person, probes=probes)
    assert serious(found)[0] == ("probe-ratio", "from_target")
    assert "a tenth of the 5 V" in found.findings[0].message
    assert "set the probe factor of ch2 in the stations file to 10" in found.findings[0].remedy


def test_a_step_that_is_left_out_is_neither_good_nor_bad(bench: Bench) -> None:
    """No finding against a probe that nobody moved; the items are open."""

    class Hurried(Person):
        def _watch(self, prompt: Any, limit_s: float, look: Any, every_s: float) -> Any:
            answer = super()._watch(prompt, limit_s, look, every_s)
            return {"by": "person", "skip": True} if prompt["name"] != "before you begin" else answer

    found = walked(bench, Hurried(Hands(bench), patience=1))
    assert serious(found) == []
    open_items = [i.name for i in found.items if i.verdict == "inconclusive"]
    assert open_items == ["to_target.reference_factor", "from_target.reference_factor", "channel_match"]
    assert all("left out" in i.because for i in found.items if i.verdict == "inconclusive")


def test_nothing_on_the_terminal_is_told_with_what_was_seen_instead(bench: Bench) -> None:
    """The person forgot the second probe and pressed Enter."""
    person = Person(
        Hands(bench),
        {"probe of ch2 on the reference terminal": lambda: None, "both probes on one node": lambda: None},
    )
    found = walked(bench, person)
    assert serious(found) == [("reference-missing", "from_target")]
    assert "ch2 stays at 3.2" in found.findings[0].message


def test_the_other_probe_on_the_terminal_is_told_at_once(bench: Bench) -> None:
    """Cables exchanged at the scope's inputs: the person takes the probe that should be ch1's."""
    hands = Hands(bench)
    person = Person(hands, {"probe of ch1 on the reference terminal": lambda: hands.move(2, REFERENCE)})
    found = walked(bench, person)
    assert any("ch2: that is the other probe" in look.text for look in person.looks)
    assert ("probes-exchanged", "to_target") in serious(found)


def test_tips_that_come_back_exchanged_are_told_until_they_are_right(bench: Bench) -> None:
    """The line that answers spoke first; the person exchanges them at the third look."""
    hands, tries = Hands(bench), [0]

    def back() -> None:
        tries[0] += 1
        hands.both(*((FROM_TARGET, TO_TARGET) if tries[0] < 3 else (TO_TARGET, FROM_TARGET)))

    person = Person(hands, {"back on the board": back})
    found = walked(bench, person)
    assert serious(found) == []
    assert any("the two tips are exchanged" in look.text for look in person.looks)


def test_tips_that_are_still_on_the_terminal_are_not_back(bench: Bench) -> None:
    """The square wave can be read as characters of a serial line; it is none."""
    hands, tries = Hands(bench), [0]

    def back() -> None:
        tries[0] += 1
        if tries[0] == 3:
            hands.both(TO_TARGET, FROM_TARGET)

    person = Person(hands, {"back on the board": back})
    assert serious(walked(bench, person)) == []
    assert tries[0] >= 4
    assert any("ch2: still the reference square wave" in look.text for look in person.looks)


def test_a_board_that_does_not_answer_is_no_fault_of_its_probe() -> None:
    """The tip is on a line that is held high; the person goes on."""
    with open_benches(seed=41, firmware="silent") as (mute,):
        assert serious(walked(mute)) == []


def test_tips_left_exchanged_are_a_finding(bench: Bench) -> None:
    """Enter was pressed all the same."""
    hands = Hands(bench)
    person = Person(hands, {"back on the board": lambda: hands.both(FROM_TARGET, TO_TARGET)})
    assert serious(walked(bench, person)) == [("probes-exchanged", None)]


def test_the_rate_of_the_terminal_is_judged_and_proves_no_time_base() -> None:
    """920 Hz where 1 kHz is printed; a scope with a clock 3 % slow shows its own terminal as right."""
    with open_benches(seed=41, bench="reference-slow") as (one,):
        found = walked(one)
    assert ("reference-rate-off", None) in serious(found)
    item = next(i for i in found.items if i.name == "reference_rate")
    assert item.value == pytest.approx(-8.0, abs=0.05)
    assert "no proof of the time base" in item.because


def test_the_level_of_the_terminal_is_put_down_to_the_terminal_when_both_agree() -> None:
    """3.9 V on both where 5 V is printed; a station may state what its own terminal gives."""
    from service.stations import Reference

    with open_benches(seed=41, bench="reference-low") as (one,):
        found = walked(one)
        stated = walked(one, Person(Hands(one)), reference=Reference(volts=3.9))
    assert serious(found) == [("reference-level-off", None)]
    assert "both channels agree" in found.findings[0].message
    assert serious(stated) == []


def test_a_terminal_that_is_off_is_missing_on_both() -> None:
    """Nobody can do more than press Enter."""
    with open_benches(seed=41, bench="reference-missing") as (one,):
        found = walked(one)
    assert [c for c, _ in serious(found)] == ["reference-missing", "reference-missing"]


def test_a_channel_whose_gain_is_off_is_seen_against_the_other_on_one_node() -> None:
    """12 % low: no meter is needed to see that two channels differ; which is right is not said."""
    with open_benches(seed=41, bench="gain-off") as (one,):
        found = walked(one)
    assert "channel_match" in failed(found)
    assert ("channels-differ", None) in serious(found)
    assert next(i for i in found.items if i.name == "channel_match").value == pytest.approx(-12, abs=1.5)


def test_a_channel_that_does_not_go_to_zero_and_a_noisy_one_are_found_at_ground() -> None:
    """The input is put to ground inside the scope: no probe can be blamed."""
    with (
        open_benches(seed=41, bench="zero-shifted") as (shifted,),
        open_benches(seed=42, bench="noisy") as (noisy,),
    ):
        assert ("zero-off", "from_target") in serious(walked(shifted))
        assert ("noisy", "from_target") in serious(walked(noisy))


def test_a_range_that_will_not_get_wider_is_told_as_clipped() -> None:
    """The window sits at 2 V whatever is set."""
    with open_benches(seed=41, bench="range-stuck") as (one,):
        found = walked(one)
    assert ("clipped", "from_target") in serious(found)


def test_what_was_taken_before_the_program_died_is_not_taken_again(bench: Bench) -> None:
    """The answers and captures are replayed; the same document comes out, and nobody is asked for a wave."""
    person = Person(Hands(bench))
    first = walked(bench, person)
    labels = list(person.kept)
    person.hands.both(TO_TARGET, FROM_TARGET)
    answers: list[dict[str, Any]] = list(first.more["guided"]["steps"])
    again = Person(person.hands)
    again.kept = person.kept
    hooks = again.hooks()
    replayed = iter({"by": s["by"], "text": s["look"]} for s in answers)
    import dataclasses

    second = walk_guided(station_of(bench), dataclasses.replace(hooks, watch=lambda *_args: next(replayed)))
    assert second.items == first.items
    assert list(again.kept) == labels


def test_a_metered_voltage_without_its_meter_is_refused(bench: Bench) -> None:
    """A number without a witness is none."""
    with pytest.raises(ValueError, match="needs the meter"):
        walk_guided(station_of(bench), Person(Hands(bench)).hooks(), GuidedOptions(metered_volts=3.3))
