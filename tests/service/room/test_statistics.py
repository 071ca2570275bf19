"""The lab's own figures: counted from what was recorded, with ranges as wide as the cases are few."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
import scipy.stats

from service.errors import BadQuery
from service.report.statistics_text import statistics_text
from service.room.breaks import (
    Break,
    Life,
    Seen,
    Span,
    StateChange,
    Window,
    breaks_of_thing,
    failures_in,
    hours_in_service,
    life_of_station,
    repairs_in,
    still_broken,
)
from service.room.inventory import Inventory
from service.room.statistic_rows import Statistics
from service.room.statistics import duration, short, statistics_document
from service.room.tally import Tally, outcome_of
from service.run_record import new_run, timestamp
from service.store import RunStore
from tests.service.bench_of_straw import NAMES, station
from tests.service.room.papers import Hands, kept_check, kept_failure

START = datetime(2027, 1, 11, 8, 0, tzinfo=UTC)


def at(hours: float) -> datetime:
    return START + timedelta(hours=hours)


def test_a_term_by_hand() -> None:
    """Two probes of which one was broken from hour 100 to 150 and again at hour 900 of 1,000: it has 850
    hours, the other 1,000, so two failures in 1,850 h. 95 % by the formula of the NIST/SEMATECH e-Handbook
    8.4.5.1 with chi-square tables (from memory: 0.4844 for 0.025 with 4 degrees of freedom, 14.449 for 0.975
    with 6): 0.4844 / 3.7 = 0.131 and 14.449 / 3.7 = 3.905 in 1,000 h."""
    window = Window(at(0), at(1000))
    broke = Life("P-1", "probe", [Span(at(-50), None)], [Break(at(100), at(150)), Break(at(900), None)])
    sound = Life("P-2", "probe", [Span(at(0), at(600)), Span(at(600), None)], [])
    told = statistics_document(window, [broke, sound], [])
    (row,) = told["failures"]
    assert (row["things"], row["hours"], row["failures"]) == (2, 1850.0, 2)
    assert row["per_1000_h"]["value"] == pytest.approx(2 / 1.85)
    assert row["per_1000_h"]["low"] == pytest.approx(0.4844 / 3.7, rel=1e-3)
    assert row["per_1000_h"]["high"] == pytest.approx(14.449 / 3.7, rel=1e-3)
    assert row["words"] == "2 in 1,850 h: 0.13 to 3.9 per 1,000 h"
    (repair,) = told["repairs"]
    assert repair["words"] == "1 after 2.1 days; 1 not mended yet, the longest for 4.2 days"


def test_no_failure_says_what_it_proves() -> None:
    """At most 3.689 / 0.512 = 7.2 per 1,000 h; and without hours nothing at all."""
    (row,) = statistics_document(Window(at(0), at(512)), [Life("B-1", "board", [Span(at(0), None)], [])], [])[
        "failures"
    ]
    assert row["words"] == "none in 512 h: at most 7.2 per 1,000 h"
    (row,) = statistics_document(Window(at(0), at(5)), [Life("B-1", "board", [], [Break(at(1), None)])], [])[
        "failures"
    ]
    assert (row["per_1000_h"], row["words"]) == (None, "no hours in service, 1 failed all the same")


def test_from_less_than_a_day_no_rate_is_told() -> None:
    """A probe that failed in its first hour would have a rate of a million."""
    life = Life("P-1", "probe", [Span(at(0), None)], [Break(at(1), None)])
    (row,) = statistics_document(Window(at(0), at(5)), [life], [])["failures"]
    assert row["per_1000_h"] is None
    assert row["words"] == "1 in 1 h: too short a time to tell a rate"


def test_a_thing_breaks_once_and_is_mended_by_a_check_or_a_decision() -> None:
    """Out, then to the workshop, then back and proved: one failure. Put out again before the check: still the
    same one. Practice for good is a decision that ends it."""
    back = [StateChange(at(1), "out", "out"), StateChange(at(2), "in-repair", "in-repair")]
    tried = [StateChange(at(5), "practice-only", "in-use"), StateChange(at(6), "out", "out")]
    proved = [StateChange(at(8), "practice-only", "in-use"), StateChange(at(9), "in-use", None)]
    assert breaks_of_thing([*back, *tried, *proved]) == [Break(at(1), at(9))]
    decided = [StateChange(at(1), "out", "out"), StateChange(at(3), "practice-only", "practice-only")]
    assert breaks_of_thing([*decided, StateChange(at(7), "out", "out")]) == [
        Break(at(1), at(3)),
        Break(at(7), None),
    ]


def test_a_station_breaks_between_two_checks() -> None:
    """Not seen says nothing; practice only does not mend; what the first look found broken is no failure."""
    outcomes = [
        "not-usable",
        "ready",
        "not-seen",
        "not-usable",
        "not-usable",
        "practice-only",
        "ready",
        "not-usable",
    ]
    life = life_of_station("north-1", [Seen(at(24 * n), outcome) for n, outcome in enumerate(outcomes)])
    assert life.spans == (Span(at(24), None),)
    assert life.breaks == (Break(at(72), at(144)), Break(at(168), None))
    window = Window(at(0), at(180))
    assert failures_in(life, window) == 2
    assert hours_in_service(life, window) == 180 - 24 - 72 - 12
    assert (repairs_in(life, window), still_broken(life, window)) == ([72.0], [12.0])
    assert still_broken(life, Window(at(0), at(100))) == [28.0]
    assert life_of_station("north-2", [Seen(at(0), "not-usable")]).spans == ()


def test_a_wrong_probe_factor_is_no_failure_and_still_counted() -> None:
    """Usable for practice, not for grades (needs of this house, B9): somebody sets the switch right. How
    often that was is a share of all whole checks in the window, with what so few prove (scipy's exact
    binomial)."""
    window = Window(at(0), at(100))
    seen = [Seen(at(n), "practice-only" if n in (3, 4, 50) else "ready") for n in range(-5, 60)]
    told = statistics_document(window, [life_of_station("north-1", seen)], [], seen)
    assert told["failures"][0]["failures"] == 0
    rows = {row["outcome"]: row for row in told["checks"]}
    assert (rows["ready"]["checks"], rows["practice-only"]["of"]) == (57, 60)
    exact = scipy.stats.binomtest(3, 60).proportion_ci(method="exact")
    share = rows["practice-only"]["share"]
    assert (share["low"], share["high"]) == pytest.approx((exact.low, exact.high), rel=1e-3)
    assert rows["practice-only"]["words"] == "3 of 60 left it for practice only: 1 to 14 %"
    assert "practice only           3 of 60" in statistics_text(told)


def test_a_run_counts_as_what_kept_it_from_being_judged() -> None:
    """Doubtful within the guard band; void by bench, record or error, whatever else was doubtful."""
    doubtful = {"verdict": "inconclusive", "cause": "guard-band", "required": True}
    bench = {"verdict": "inconclusive", "cause": "bench", "required": True}
    optional = {"verdict": "inconclusive", "cause": "bench", "required": False}
    assert outcome_of("done", "pass") == "pass"
    assert outcome_of("done", "inconclusive", [doubtful, optional]) == "doubtful"
    assert outcome_of("done", "inconclusive", [doubtful, bench]) == "void"
    assert outcome_of("done", "inconclusive") == "void"
    assert outcome_of("error", None) == "void"
    assert outcome_of("cancelled", None) == "cancelled"


def test_few_waits_are_listed_and_many_have_a_middle() -> None:
    """Five are said one by one; of ten the median lies between the second and the ninth."""
    few = [Tally("2027-01-11", "echo-test", "class-now", "pass", float(n)) for n in (3, 1, 90)]
    told = {row["priority"]: row for row in statistics_document(Window(at(0), at(1)), [], few)["waits"]}
    assert told["class-now"]["words"] == "3 after 1 s, 3 s, 1.5 min"
    assert told["class-now"]["seconds"]["median_low"] is None
    assert told["check"]["words"] == "nobody waited"
    none = [Tally("2027-01-11", "check", "check", "pass", 0.1)] * 560
    (row,) = [row for row in statistics_document(Window(at(0), at(1)), [], none)["waits"] if row["runs"]]
    assert row["words"] == "560, all at once"
    ten = [Tally("2027-01-11", "echo-test", "class-now", "void", float(n)) for n in range(1, 11)]
    document = statistics_document(Window(at(0), at(1)), [], ten)
    (row,) = [row for row in document["waits"] if row["runs"]]
    assert row["words"] == "10: half within 5.5 s (2 s to 9 s), the longest 10 s"
    assert document["tests"][0]["words"] == "10 of 10 could not be judged: 100 %, surely 69 to 100 %"


def test_what_nobody_records_is_left_out_by_name() -> None:
    """Disputes need grades."""
    names = [one["name"] for one in statistics_document(Window(at(0), at(1)), [], [])["left_out"]]
    assert names == ["dispute_share", "hours_switched_on"]


def test_numbers_have_two_digits_and_durations_a_unit_of_their_size() -> None:
    """Never an exponent."""
    assert [short(n) for n in (0, 0.00072, 0.0721, 2.154, 41.9, 99.6, 1234)] == [
        "0", "0.00072", "0.072", "2.2", "42", "100", "1,234",
    ]  # fmt: skip
    assert [duration(s) for s in (0.42, 89, 91, 5400, 200_000)] == [
        "0.42 s",
        "89 s",
        "1.5 min",
        "1.5 h",
        "2.3 days",
    ]


@pytest.fixture
def statistics(store: RunStore, inventory: Inventory, clock: Hands) -> Statistics:
    return Statistics(store.database, [station(name) for name in NAMES], inventory, clock)


def kept_test(
    store: RunStore, when: datetime, verdict: str, cause: str | None = None, wait_s: float = 2.0
) -> None:
    """An echo test that waited so long and came to that verdict."""
    run = store.create(new_run("echo-test", "north-1", {"payload_hex": "41"}, when, origin="service"))
    store.move(run.id, "running", started_at=timestamp(when + timedelta(seconds=wait_s)))
    criterion = {"name": "content", "verdict": verdict, "cause": cause, "required": True, "because": ""}
    end = timestamp(when + timedelta(seconds=wait_s + 5))
    store.keep_result(run.id, {"verdict": verdict, "criteria": [criterion], "findings": []}, at=end)
    store.move(run.id, "done", finished_at=end, verdict=verdict)


def test_a_term_from_what_the_lab_recorded(
    store: RunStore, inventory: Inventory, statistics: Statistics, clock: Hands
) -> None:
    """Through the inventory, checks and runs themselves, on both databases."""
    inventory.add("P-1", "probe", "", "Ida")
    inventory.place("P-1", "north-1", "Ida", "to_target")
    kept_check(store, "north-1", clock.forward(hours=1))
    statistics.inventory.settle()
    clock.forward(hours=99)
    inventory.set_state("P-1", "out", "Ida", "clip arced")
    kept_check(store, "north-1", clock.now, {"identity_changes": 1.0})
    kept_check(store, "north-1", clock.now, only=["trigger"], whole=False)
    clock.forward(hours=40)
    inventory.set_state("P-1", "in-use", "Jon", "new clip")
    kept_check(store, "north-1", clock.forward(hours=10))
    for verdict, cause in (
        ("pass", None),
        ("fail", None),
        ("inconclusive", "guard-band"),
        ("inconclusive", "bench"),
    ):
        kept_test(store, clock.forward(hours=1), verdict, cause)
    kept_failure(store, "north-1", clock.forward(hours=1))
    clock.forward(hours=1)
    told = statistics.of()
    failures = {row["kind"]: row for row in told["failures"]}
    assert failures["station"]["failures"] == failures["probe"]["failures"] == 1
    assert failures["probe"]["hours"] == pytest.approx(156 - 50, abs=0.2)
    checks = {row["outcome"]: row["checks"] for row in told["checks"]}
    assert checks == {
        "ready": 2,
        "practice-only": 0,
        "not-usable": 1,
        "not-seen": 0,
    }  # the part of one is none
    repairs = {row["kind"]: row for row in told["repairs"]}
    assert repairs["probe"]["hours"]["longest"] == pytest.approx(50, abs=0.1)
    assert repairs["station"]["hours"]["longest"] == pytest.approx(50, abs=0.1)
    tests = told["tests"][0]
    assert [tests[name] for name in ("pass", "fail", "doubtful", "void")] == [1, 1, 1, 2]
    waits = {row["priority"]: row for row in told["waits"]}
    assert waits["class-now"]["runs"] == 5
    assert statistics.of(until=timestamp(START))["failures"][0]["failures"] == 0


def test_the_wrong_way_round_is_refused(statistics: Statistics) -> None:
    """And what is no time at all."""
    with pytest.raises(BadQuery, match="is not before until"):
        statistics.of("2027-02-01", "2027-01-01")
    with pytest.raises(BadQuery, match="since 'term' is not a time"):
        statistics.of("term")
