"""The false-alarm budget: at most one false station alarm in 20 mornings, seeded faults still found."""

from __future__ import annotations

import math

import numpy as np
import pytest

from service.check.again import merged, worth_another_look
from service.check.document import outcome_of
from service.check.items import CheckItem, make_item

STATIONS, ITEMS, MORNINGS = 24, 15, 20
"""The room that the budget is stated for."""
SIGMA, U = 1.0, 2.0
LIMIT = 10.0


def normal_tail(z: float) -> float:
    """Probability beyond z standard deviations on one side."""
    return 0.5 * math.erfc(z / math.sqrt(2))


def look(value: float) -> CheckItem:
    """A number with U = 2 sigma against a limit of 10 sigma."""
    return make_item("to_target.compensation", value, U, "probe/to_target", low=-LIMIT, high=LIMIT)


def twice(first: CheckItem, second: CheckItem) -> CheckItem:
    """What both looks come to; the second only counts where the first asks for it."""
    if not worth_another_look([first], [], ["traffic"]):
        return first
    items, _ = merged([first], [], [second], [], ["traffic"])
    return items[0]


def test_the_budget_by_arithmetic() -> None:
    """24 x 15 x 0.0027 is one false alarm each morning; after an independent repeat 0.003 (normal law).

    Our rule raises no doubt before U of room is used up: with items that lie 5 sigma inside their limit, a
    look is doubtful beyond 3 sigma; with the repeat 20 mornings bring far less than one alarm.
    """
    once = STATIONS * ITEMS * 2 * normal_tail(3.0)
    assert once == pytest.approx(0.97, abs=0.01)
    repeated = STATIONS * ITEMS * (2 * normal_tail(3.0)) ** 2
    assert repeated == pytest.approx(0.0026, abs=0.0001)
    assert MORNINGS * repeated < 1


def test_twenty_mornings_of_healthy_stations_bring_at_most_one_alarm() -> None:
    """The rule itself, with items 5 sigma inside their limit (2 sigma of it is the guard band)."""
    draw = np.random.default_rng(20270112)
    healthy = LIMIT - 5 * SIGMA
    count = STATIONS * ITEMS * MORNINGS
    firsts, seconds = draw.normal(healthy, SIGMA, count), draw.normal(healthy, SIGMA, count)
    singles = sum(look(v).verdict != "pass" for v in firsts)
    alarms = sum(twice(look(a), look(b)).verdict != "pass" for a, b in zip(firsts, seconds, strict=True))
    assert singles > 3, "without the repeat there would be alarms"
    assert alarms <= 1


def test_seeded_faults_are_still_found() -> None:
    """99 % of numbers 3 sigma beyond the guard band's outer end keep their station from ready."""
    draw = np.random.default_rng(20270113)
    sick = LIMIT + U + 3 * SIGMA
    pairs = zip(draw.normal(sick, SIGMA, 4000), draw.normal(sick, SIGMA, 4000), strict=True)
    found = sum(outcome_of([twice(look(a), look(b))]) != "ready" for a, b in pairs)
    assert found / 4000 >= 0.99


def test_both_values_stay_in_the_document() -> None:
    """An outlier that was measured again is not forgotten."""
    item = twice(look(11.0), look(3.0))
    assert (item.verdict, item.value) == ("pass", 3.0)
    assert item.evidence["first"] == {"value": 11.0, "u": U, "verdict": "inconclusive"}
    assert "at the first look 11" in item.because


def test_a_count_that_was_there_once_is_no_chance_and_stays_doubtful() -> None:
    """A lost character on a good bench is a fault to explain, not noise."""
    first = make_item("echo_errors", 3.0, 0.0, "board", high=0.0)
    second = make_item("echo_errors", 0.0, 0.0, "board", high=0.0)
    item = twice(first, second)
    assert item.verdict == "inconclusive"
    assert "comes and goes" in item.because
    assert outcome_of([item]) == "practice-only"
