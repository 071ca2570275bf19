"""What a list of items and findings makes of a station."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from service.check.document import EXIT_CODES, OUTCOMES, check_document, outcome_of, worst
from service.check.items import ITEMS, NoSuchItem, item_kind, make_item
from service.pipeline.findings import make_finding

NOW = datetime(2027, 1, 12, 6, 31, 8, tzinfo=UTC)


def test_a_good_station_is_ready_for_a_day_and_there_is_nothing_to_do() -> None:
    """contract.md 3b: the keys, the outcome, the times in UTC."""
    items = [make_item("from_target.noise", 0.003, 0.001, "scope/ch2", high=0.03)]
    document = check_document("north-3", items, [], checked_at=NOW)
    assert {
        "schema",
        "station",
        "outcome",
        "items",
        "findings",
        "first_step",
        "checked_at",
        "valid_until",
    } <= set(document)
    assert (document["outcome"], document["first_step"]) == ("ready", "Nothing to do.")
    assert document["checked_at"] == "2027-01-12T06:31:08.000Z"
    assert document["valid_until"] == "2027-01-13T06:31:08.000Z"
    assert document["items"][0]["limit"] == {"max": 0.03}
    assert "3.0 ± 1.0 mV" in document["items"][0]["because"]


def test_a_failed_item_spoils_its_station_as_its_row_says() -> None:
    """Noise leaves practice, a self-test that fails leaves nothing, a note leaves everything."""
    noisy = make_item("to_target.noise", 0.3, 0.01, "scope/ch1", high=0.03)
    broken = make_item("self_test", 1.0, 0.0, "scope", high=0.0)
    slow = make_item("line_load", 60.0, 1.0, "bridge", low=99.0)
    assert (noisy.verdict, broken.verdict, slow.verdict) == ("fail", "fail", "fail")
    assert outcome_of([noisy]) == "practice-only"
    assert outcome_of([noisy, broken]) == "not-usable"
    assert outcome_of([slow]) == "ready"


def test_a_value_nearer_to_its_limit_than_its_uncertainty_is_never_a_ready_station() -> None:
    """JCGM 106:2012: guard band of U on either side."""
    close = make_item("to_target.noise", 0.029, 0.002, "scope/ch1", high=0.03)
    unknown = make_item("to_target.noise", None, None, "scope/ch1", high=0.03)
    assert close.verdict == unknown.verdict == "inconclusive"
    assert outcome_of([close]) == outcome_of([unknown]) == "practice-only"


def test_the_first_step_is_the_first_findings_remedy_and_stated_steps_come_before_it() -> None:
    """One sentence, the cheapest first."""
    findings = [make_finding("self-test-failed", None, "it answered 3")]
    document = check_document("north-3", [], findings, checked_at=NOW)
    assert document["outcome"] == "not-usable"
    assert document["first_step"].startswith("Switch it off and on")
    stated = check_document("north-3", [], findings, checked_at=NOW, steps=["Turn it.", "Swap it."])
    assert (stated["first_step"], stated["next_steps"]) == ("Turn it.", ["Swap it."])


def test_nobody_could_look_beats_everything() -> None:
    """not-seen is no judgement of the station."""
    assert outcome_of([], [], not_seen=True) == "not-seen"
    assert worst(["ready", "not-seen", "not-usable"]) == "not-seen"
    assert worst([]) == "ready"
    assert [EXIT_CODES[o] for o in OUTCOMES] == [0, 3, 1, 4]


def test_an_item_outside_of_the_table_cannot_be_made() -> None:
    """Names stand in one place."""
    with pytest.raises(NoSuchItem, match="no item 'glow'"):
        make_item("glow", 1.0, None, "scope")
    assert item_kind("to_target.zero").per_line
    assert len({kind.name for kind in ITEMS}) == len(ITEMS)
