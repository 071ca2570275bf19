"""What a station may be used for now: a check ages and is broken by what happens after it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

from service.pipeline.codes import CODES
from service.pipeline.findings import Finding
from service.room.inventory import Inventory
from service.room.standing import CHECK_AGAIN, FINDINGS, OF_THE_RECORD, Standing, event_of_finding
from service.room.standings import Standings
from service.store import RunStore
from tests.service.room.papers import Hands, kept_check, kept_failure
from tests.service.room.test_statistics import kept_test

AT = "north-1"


@pytest.fixture
def standings(store: RunStore, inventory: Inventory, clock: Hands) -> Standings:
    return Standings(store.database, inventory, clock)


def now(standings: Standings) -> Standing:
    return standings.of([AT])[AT]


def test_a_station_that_was_never_checked_is_for_practice_only(standings: Standings) -> None:
    """Needs of this house, A3: an unfinished bench cannot be booked for what counts."""
    found = now(standings)
    assert (found.outcome, found.grading, found.check) == ("practice-only", False, None)
    assert found.first_step == "Check the station; nobody needs to be there."


def test_a_good_check_counts_for_a_day(standings: Standings, store: RunStore, clock: Hands) -> None:
    """B5: no run that counts on a status over 24 h old."""
    kept_check(store, AT, clock.now)
    clock.forward(seconds=30)
    found = now(standings)
    assert (found.outcome, found.grading, found.first_step) == ("ready", True, "Nothing to do.")
    assert found.valid_until == "2027-01-12T08:00:30.000Z"
    clock.forward(hours=24)
    assert now(standings).outcome == "ready"
    clock.forward(seconds=1)
    found = now(standings)
    assert (found.outcome, found.valid_until) == ("practice-only", None)
    assert "2027-01-11T08:00:30.000Z" in found.because


def test_a_check_that_promises_more_than_a_day_is_not_believed(
    standings: Standings, store: RunStore, clock: Hands
) -> None:
    """Nor is one that promises less stretched."""
    kept_check(store, AT, clock.now, valid_for_s=7 * 86_400)
    clock.forward(hours=25)
    assert now(standings).outcome == "practice-only"
    kept_check(store, AT, clock.now, valid_for_s=3600)
    clock.forward(hours=2)
    assert now(standings).outcome == "practice-only"


def touched(store: RunStore, clock: Hands, code: str, severity: str = "warning") -> None:
    """An echo test with that bench finding; told as a check's document, the rows are the same."""
    finding = Finding(code, "bench", severity, None, "something", "do", {})
    kept_check(store, AT, clock.now, findings=[finding], only="a part", took_s=1)


EVENTS: dict[str, tuple[Callable[[RunStore, Inventory, Hands], Any], str, str]] = {
    "a run cannot reach the scope": (
        lambda s, _i, c: kept_failure(s, AT, c.now), "not-seen", "not-reachable"),
    "no answer in time": (
        lambda s, _i, c: kept_failure(s, AT, c.now, "no-answer"), "not-seen", "not-reachable"),
    "another instrument answers": (
        lambda s, _i, c: kept_failure(s, AT, c.now, "other-instrument"), "not-usable", "identity-changed"),
    "the instrument refuses": (
        lambda s, _i, c: kept_failure(s, AT, c.now, "instrument-refused"), "practice-only", "run-failed"),
    "a later check cannot reach it": (
        lambda s, _i, c: kept_failure(s, AT, c.now, kind="check"), "not-seen", "not-reachable"),
    "settings were changed on the panel": (
        lambda s, _i, c: touched(s, c, "settings-touched", "info"), "practice-only", "settings-changed"),
    "it was switched off and on": (
        lambda s, _i, c: touched(s, c, "power-cycled", "info"), "practice-only", "power-cycled"),
    "a run is void because of a probe": (
        lambda s, _i, c: touched(s, c, "probe-ratio"), "practice-only", "run-failed"),
    "a probe comes to it": (
        lambda _s, i, _c: i.place("P-2", AT, "Ida", "from_target"), "practice-only", "item-moved"),
    "a probe is taken away": (
        lambda _s, i, _c: i.take_away("P-1", "Ida"), "practice-only", "item-moved"),
}  # fmt: skip


def test_a_station_that_answered_again_is_seen_and_still_needs_its_check(
    standings: Standings, store: RunStore, clock: Hands
) -> None:
    """A cable that was out for a minute: a later run passed, so it is there; nothing says what else
    happened."""
    kept_check(store, AT, clock.now)
    kept_failure(store, AT, clock.forward(minutes=5))
    assert now(standings).outcome == "not-seen"
    kept_test(store, clock.forward(minutes=5), "inconclusive", "bench")
    assert now(standings).outcome == "not-seen"
    kept_test(store, clock.forward(minutes=5), "pass")
    clock.forward(minutes=1)
    found = now(standings)
    assert (found.outcome, found.first_step) == ("practice-only", CHECK_AGAIN)
    assert [event.what for event in found.broken_by] == ["not-reachable"]


def test_a_status_is_broken_by_what_happens_and_mended_by_a_check(
    standings: Standings, store: RunStore, inventory: Inventory, clock: Hands
) -> None:
    """Every event of B5, each by itself; what happened before the check does not count."""
    for item in ("P-1", "P-2"):
        inventory.add(item, "probe", "", "Ida")
    inventory.place("P-1", AT, "Ida", "to_target")
    for name, (act, outcome, what) in EVENTS.items():
        kept_check(store, AT, clock.forward(minutes=1))
        clock.forward(minutes=1)
        assert now(standings).outcome == "ready", name
        act(store, inventory, clock)
        clock.forward(minutes=1)
        found = now(standings)
        assert (found.outcome, found.grading) == (outcome, False), (name, found)
        assert [event.what for event in found.broken_by] == [what], name
        if what != "item-moved":
            assert found.first_step == "Check the station again; nobody needs to be there."
    assert standings.of(["north-2"])["north-2"].broken_by == ()


def test_what_says_nothing_of_the_bench_breaks_nothing(
    standings: Standings, store: RunStore, clock: Hands
) -> None:
    """A cancelled or interrupted run, a failing firmware, a record that was too short."""
    kept_check(store, AT, clock.now)
    clock.forward(minutes=1)
    for name in ("interrupted", "station-busy", "nobody-came", "database-away"):
        kept_failure(store, AT, clock.now, name)
    for code in OF_THE_RECORD:
        touched(store, clock, code)
    failing = Finding("echo-missing", "device", "fail", None, "m", "r", {})
    kept_check(store, AT, clock.now, findings=[failing], only="a part")
    clock.forward(minutes=1)
    assert now(standings).outcome == "ready"


def test_a_look_at_the_trigger_alone_makes_no_station_ready(
    standings: Standings, store: RunStore, clock: Hands
) -> None:
    """A part is not the whole."""
    kept_check(store, AT, clock.now, only="trigger")
    assert now(standings).check is None


@pytest.mark.parametrize(
    ("state", "outcome", "step"),
    [
        ("out", "not-usable", "Take probe P-1 (black clip) away and put a good one there."),
        ("in-repair", "not-usable", "Take probe P-1 (black clip) away and put a good one there."),
        ("practice-only", "practice-only", "Decide what becomes of probe P-1 (black clip)."),
    ],
)
def test_a_thing_that_is_out_closes_its_station_until_it_is_gone(
    standings: Standings,
    store: RunStore,
    inventory: Inventory,
    clock: Hands,
    state: str,
    outcome: str,
    step: str,
) -> None:
    """G4: no route from `out` to what counts without a check that passed."""
    inventory.add("P-1", "probe", "black clip", "Ida")
    inventory.place("P-1", AT, "Ida", "to_target")
    kept_check(store, AT, clock.forward(minutes=1))
    clock.forward(minutes=1)
    assert now(standings).outcome == "ready"
    inventory.set_state("P-1", state, "Ida", "noisy")
    found = now(standings)
    assert (found.outcome, found.first_step) == (outcome, step)
    kept_check(store, AT, clock.forward(minutes=1))
    clock.forward(minutes=1)
    assert now(standings).outcome == outcome  # a check alone does not bring it back, somebody must want it
    inventory.set_state("P-1", "in-use", "Ida", "mended")
    assert now(standings).outcome == ("ready" if state == "practice-only" else "practice-only")
    kept_check(store, AT, clock.forward(minutes=1))
    clock.forward(minutes=1)
    assert now(standings).outcome == "ready"


def test_a_bad_check_tells_its_own_first_step(standings: Standings, store: RunStore, clock: Hands) -> None:
    """Before anything that came after it."""
    finding = Finding("probe-ratio", "bench", "fail", None, "m", "Set the switch to 10x.", {})
    kept_check(store, AT, clock.now, {"to_target.probe_factor": 0.1}, findings=[finding])
    kept_failure(store, AT, clock.forward(minutes=1), "instrument-refused")
    found = now(standings)
    assert (found.outcome, found.first_step) == ("not-usable", "Set the switch to 10x.")
    assert found.steps == ("Check the station again; nobody needs to be there.",)


def test_every_name_in_the_tables_of_events_is_a_finding_that_exists() -> None:
    """Else an event could never come."""
    assert {*FINDINGS, *OF_THE_RECORD} <= {code.code for code in CODES}
    assert event_of_finding("crosstalk", "info", "", "") is None


def test_a_day_ends_where_the_clock_says_not_where_the_run_began(
    standings: Standings, store: RunStore, clock: Hands
) -> None:
    """A guided check may wait hours for its person; what it says is of its end."""
    kept_check(store, AT, clock.now, took_s=4 * 3600)
    clock.now += timedelta(hours=27)
    assert now(standings).outcome == "ready"
