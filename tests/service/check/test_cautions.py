"""Cautions stand at the step where they matter, and nothing tells anybody to defeat an earth."""

from __future__ import annotations

import pytest

from service.check import cautions
from service.check.limits import CheckLimits
from service.commissioning import table
from service.report.cautions import CAUTIONS


@pytest.mark.parametrize("place", sorted(cautions.AT))
def test_every_step_has_its_cautions(place: str) -> None:
    """No step without one; whole sentences."""
    sentences = cautions.cautions_at(place)
    assert sentences
    assert all(sentence.endswith(".") for sentence in sentences)


@pytest.mark.parametrize("place", ["reference", "both-on-one", "metered", "on-board", "wiggle"])
def test_where_a_tip_is_moved_the_ground_clip_comes_first(place: str) -> None:
    """And only to ground: IEC 61010-031 probes have their clip on protective earth (from memory)."""
    first = cautions.cautions_at(place)[0]
    assert first.startswith("Ground clip first")
    assert "Clip only to the board's ground" in first


def test_local_rules_come_first_and_mains_never() -> None:
    """The first thing that a person reads."""
    entry = cautions.cautions_at("entry")
    assert entry[0].startswith("Local rules and licensed persons come first")
    assert any("Never on mains" in sentence for sentence in entry)


def test_no_caution_tells_anybody_to_defeat_an_earth() -> None:
    """An earth pin is only ever mentioned after `never`."""
    for text in cautions.TEXTS.values():
        if "earth pin" in text:
            assert text.startswith("Never lift")


def test_reports_print_the_same_sentences() -> None:
    """One text for the screen, the step and the paper."""
    assert set(CAUTIONS) <= set(cautions.TEXTS.values())
    assert any("protective earth" in sentence for sentence in CAUTIONS)
    assert set(CAUTIONS) < set(table.CAUTIONS)
    said = " ".join(table.cautions(with_reset=True).split())
    assert all(sentence in said for sentence in (*CAUTIONS, table.OWN_CAUTION, cautions.TEXTS["rules"]))


def test_every_caution_is_shown_somewhere() -> None:
    """None is dead text."""
    assert {name for names in cautions.AT.values() for name in names} == set(cautions.TEXTS)


def test_the_limit_of_a_reading_is_six_volts_unless_the_lines_have_more() -> None:
    """needs 9.12; RS-232 drivers give up to 15 V (TIA-232-F), a 5 V family a quarter more is 6.25 V."""
    assert cautions.stop_above_v(3.3, CheckLimits()) == 6.0
    assert cautions.stop_above_v(5.0, CheckLimits()) == 6.25
    assert cautions.stop_above_v(12.0, CheckLimits()) == 15.0
