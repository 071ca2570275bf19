"""Every fault that hands at the reference terminal can find, alone and in pairs; the second witness."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any

import pytest

from service.check.asked import Asked
from service.check.check import run_check
from service.check.context import Context
from simulator.bench import Bench, open_benches
from simulator.clock import VirtualClock
from simulator.faults import BENCHES, Kind, bench_plan
from simulator.plan import FROM_TARGET, TO_TARGET
from tests.service.check.hands import Hands, Person
from tests.whole.benches import station_of

SEEN_BY_HANDS = tuple(kind for kind in BENCHES if kind.seen_by == "guided" or kind.guided)
LAZY = {"trimmer of the probe of ch1": lambda: None, "trimmer of the probe of ch2": lambda: None}
"""Somebody without a trimmer tool."""


@pytest.fixture
def bench() -> Iterator[Bench]:
    with open_benches(seed=91) as (one,):
        yield one


def guided(bench: Bench, person: Person | None = None, **asked: Any) -> dict[str, Any]:
    """The document of one guided check."""
    context = dataclasses.replace(Context(), asked=Asked(only=("guided",), **asked))
    person = person or Person(Hands(bench))
    return run_check(station_of(bench), person.hooks(), context, ("guided",))


def serious(document: dict[str, Any]) -> list[tuple[str, str | None]]:
    return [(f["code"], f["line"]) for f in document["findings"] if f["severity"] != "info"]


@pytest.mark.parametrize("kind", [pytest.param(kind, id=kind.name) for kind in SEEN_BY_HANDS])
def test_every_fault_that_only_hands_can_show_is_named_first(kind: Kind) -> None:
    """Whatever else is said comes behind it."""
    with open_benches(seed=91, bench=kind.name) as (one,):
        document = guided(one)
    assert serious(document)[0][0] == (kind.guided or kind.finding)
    assert document["outcome"] != "ready"


@pytest.mark.parametrize(
    ("bench_kind", "expected"),
    [
        ("compensation:20+compensation-to-target:-20", {
            ("probe-overcompensated", "from_target"), ("probe-undercompensated", "to_target")}),
        pytest.param("compensation:-3+gain:-12", {
            ("probe-undercompensated", "from_target"), ("channels-differ", None)}, marks=pytest.mark.soak),
        pytest.param("noisy+compensation-to-target:6", {
            ("noisy", "from_target"), ("probe-overcompensated", "to_target")}, marks=pytest.mark.soak),
    ],
)  # fmt: skip
def test_two_faults_at_once_are_both_named(bench_kind: str, expected: set[tuple[str, str | None]]) -> None:
    """Each probe with its own sign; nobody turns a trimmer here."""
    with open_benches(seed=91, bench=bench_kind) as (one,):
        document = guided(one, Person(Hands(one), LAZY, patience=3))
    assert expected <= set(serious(document))


def test_both_probes_at_ten_times_too_much_have_one_cause() -> None:
    """Not two bad probes: what both have in common is the setting, or the same hand at both switches."""
    with open_benches(seed=91, bench="both-ratios-off") as (one,):
        nothing = {f"switch of the probe of ch{n}": lambda: None for n in (1, 2)}
        document = guided(one, Person(Hands(one), nothing, patience=3))
    assert {("probe-ratio", "to_target"), ("probe-ratio", "from_target")} <= set(serious(document))
    ratio = [c for c in document["causes"] if any(e["code"] == "probe-ratio" for e in c["explains"])]
    assert len(ratio) == 1
    assert len(ratio[0]["explains"]) == 2


def test_a_metered_source_is_the_second_witness_for_volts(bench: Bench) -> None:
    """Two idle lines of 3.28 V that a meter measured: the document names the meter, gains are absolute."""
    hands = Hands(bench)
    person = Person(hands, {"both probes on the metered source": lambda: hands.both(TO_TARGET, FROM_TARGET)})
    document = guided(bench, person, metered_volts=3.28, meter="M-17")
    assert serious(document) == []
    assert document["guided"]["volts"] == {"volts": 3.28, "meter": "M-17"}
    gains = {i["name"]: i for i in document["items"] if i["name"].endswith(".gain")}
    assert set(gains) == {"to_target.gain", "from_target.gain"}
    assert all("meter M-17" in i["because"] for i in gains.values())


def test_with_a_meter_the_channel_at_fault_is_named() -> None:
    """12 % low on the from-target channel."""
    with open_benches(seed=91, bench="gain-off") as (one,):
        hands = Hands(one)
        on_source = {"both probes on the metered source": lambda: hands.both(TO_TARGET, FROM_TARGET)}
        document = guided(one, Person(hands, on_source), metered_volts=3.28, meter="M-17")
    assert ("channel-gain", "from_target") in serious(document)
    assert ("channel-gain", "to_target") not in serious(document)


@pytest.fixture
def hot() -> Iterator[Bench]:
    """A bench with 12 V where 5 V is printed."""
    plan = bench_plan(seed=91)
    running = Bench(
        dataclasses.replace(plan, scope=dataclasses.replace(plan.scope, reference_v=12.0)), VirtualClock()
    )
    yield running
    running.close()


def test_more_volts_than_there_may_be_stop_the_person_at_once(hot: Bench) -> None:
    """needs 9.12: 12 V where 6 V is the most; the tip comes off, the clip stays, staff is called."""
    person = Person(Hands(hot), patience=3)
    document = guided(hot, person)
    stops = [look for look in person.looks if look.values.get("stop")]
    assert stops
    assert stops[0].text.startswith("STOP: ch1 reads 12 V, more than the 6 V")
    assert "call staff" in stops[0].text
    assert not stops[0].seen
    assert ("voltage-too-high", "to_target") in serious(document)
    assert document["outcome"] == "not-usable"


def test_a_long_ground_lead_rings(bench: Bench) -> None:
    """Overshoot of 30 % on one probe's edges (common practice, no source)."""
    bench.person.use_ground_lead(2, 0.3)
    document = guided(bench)
    assert ("ringing", "from_target") in serious(document)
    assert "short ground spring" in next(f["remedy"] for f in document["findings"] if f["code"] == "ringing")
