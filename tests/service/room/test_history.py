"""Numbers over time: of a station, of a probe through its places, of the room; and what is usual."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from service.errors import BadInput, Conflict, NotFound
from service.pipeline.findings import Finding
from service.retention import Retention
from service.room.baselines import Baselines
from service.room.courses import Point
from service.room.history import History, stands_out
from service.room.inventory import Inventory
from service.store import RunStore
from tests.service.bench_of_straw import NAMES
from tests.service.room.papers import Hands, kept_check

FACTOR = "to_target.probe_factor"


@pytest.fixture
def history(store: RunStore, inventory: Inventory, clock: Hands) -> History:
    return History(store.database, inventory, clock)


@pytest.fixture
def baselines(store: RunStore, inventory: Inventory, clock: Hands) -> Baselines:
    return Baselines(store.database, inventory, clock)


def test_the_course_of_a_number_has_every_value_with_its_run_limits_and_things(
    history: History, store: RunStore, inventory: Inventory, clock: Hands
) -> None:
    """A1: every stored number resolves to the ids of the things that it speaks of."""
    inventory.add("P-1", "probe", "", "Ida")
    inventory.add("S-1", "scope", "", "Ida")
    inventory.place("P-1", "north-1", "Ida", "to_target")
    inventory.place("S-1", "north-1", "Ida")
    first = kept_check(store, "north-1", clock.forward(minutes=1), {FACTOR: 1.01})
    clock.forward(minutes=5)
    inventory.take_away("P-1", "Ida")
    kept_check(store, "north-1", clock.forward(minutes=1), {FACTOR: 1.02})
    course = history.of_station("north-1", FACTOR)
    assert [(p.value, dict(p.things)) for p in course.points] == [(1.01, {"to_target": "P-1"}), (1.02, {})]
    point = course.points[0]
    assert (point.run, point.least, point.greatest, point.u) == (first.id, 0.9, 1.1, 0.02)
    assert course.words == "1.020 ± 0.020 on 2027-01-11; 2 values are too few for a trend"
    zero = history.of_station("north-1", "to_target.zero")
    assert dict(zero.points[0].things) == {"scope": "S-1"}
    assert FACTOR in history.names("north-1")
    with pytest.raises(NotFound, match=r"no values of 'gain'.*to_target\.zero"):
        history.of_station("north-1", "gain")


def test_a_drift_and_its_limit_are_told_in_words(history: History, store: RunStore, clock: Hands) -> None:
    """With the interval; the forecast of a made-up series of 0.7 % a week is right within its own."""
    rng = np.random.default_rng(1)
    for day in range(30):
        kept_check(store, "north-1", clock.now, {FACTOR: 1.0 + 0.001 * day + rng.normal(scale=0.001)})
        clock.forward(days=1)
    course = history.of_station("north-1", FACTOR)
    assert course.kind == "drift"
    assert course.per_week_low is not None
    assert course.per_week_high is not None
    assert course.per_week_low < 0.007 < course.per_week_high
    assert course.good_until is not None
    assert course.good_until.latest is not None
    assert course.good_until.earliest <= "2027-04-21" <= course.good_until.latest  # 100 days after the first
    assert "drifts by 0.00" in course.words
    assert f"good until about {course.good_until.about} (limit 1.1, between" in course.words


def test_the_history_of_a_probe_follows_it_from_station_to_station(
    history: History, store: RunStore, inventory: Inventory, clock: Hands
) -> None:
    """G2: health follows the probe, not the channel."""
    for name, line in (("P-1", "to_target"), ("P-2", "from_target")):
        inventory.add(name, "probe", "", "Ida")
        inventory.place(name, "north-1", "Ida", line)
    kept_check(store, "north-1", clock.forward(minutes=1), {FACTOR: 0.95})
    clock.forward(minutes=5)
    inventory.place("P-1", "north-2", "Ida", "from_target")
    kept_check(store, "north-2", clock.forward(minutes=1), {"from_target.probe_factor": 0.94})
    kept_check(store, "north-1", clock.forward(minutes=1), {FACTOR: 1.0})
    (course,) = history.of_item("P-1")
    assert course.name == "probe_factor"
    assert [(p.station, p.value) for p in course.points] == [("north-1", 0.95), ("north-2", 0.94)]
    assert history.of_item("P-1", "zero") == []
    with pytest.raises(NotFound):
        history.of_item("P-9")


def test_a_bad_probe_is_told_from_a_bad_channel_after_it_was_moved(
    history: History, store: RunStore, inventory: Inventory, clock: Hands
) -> None:
    """First both are suspected, and it says what to do; two mornings after the exchange it is the probe."""
    rng = np.random.default_rng(2)
    for n, station in enumerate(NAMES):
        for line in ("to_target", "from_target"):
            inventory.add(f"P-{n}{line[0]}", "probe", "", "Ida")
            inventory.place(f"P-{n}{line[0]}", station, "Ida", line)

    def morning(bad: tuple[str, str]) -> None:
        for station in NAMES:
            values = {
                f"{line}.probe_factor": 1 + rng.normal(scale=0.002) for line in ("to_target", "from_target")
            }
            if station == bad[0]:
                values[f"{bad[1]}.probe_factor"] -= 0.03
            kept_check(store, station, clock.now, values)
        clock.forward(days=1)

    clock.forward(hours=1)
    with pytest.raises(NotFound, match="too few"):
        history.compare("probe_factor")
    for _ in range(4):
        morning(("north-1", "to_target"))
    found = history.compare("probe_factor")
    assert not found.found.decided
    assert set(found.found.things) == {("probe", "P-0t"), ("place", "north-1 to_target")}
    assert "put the probe on another line" in found.words
    inventory.place("P-0t", "north-2", "Ida", "to_target")
    inventory.place("P-1t", "north-1", "Ida", "to_target")
    for _ in range(2):
        morning(("north-2", "to_target"))
    found = history.compare("probe_factor")
    assert found.found.things == (("probe", "P-0t"),)
    assert found.found.shift == pytest.approx(-0.03, abs=found.found.u)
    assert "probe P-0t is off by" in found.words


def test_stations_that_differ_as_stations_do_are_not_blamed(
    history: History, store: RunStore, clock: Hands
) -> None:
    """Each repeats itself far better than they agree with each other; a day on which all is off is named."""
    rng = np.random.default_rng(3)
    own = {(s, line): rng.normal(scale=0.01) for s in NAMES for line in ("to_target", "from_target")}

    def morning(shift: float) -> None:
        for station in NAMES:
            values = {
                f"{line}.probe_factor": 1 + own[station, line] + shift + rng.normal(scale=0.0005)
                for line in ("to_target", "from_target")
            }
            kept_check(store, station, clock.now, values)
        clock.forward(days=1)

    for _ in range(6):
        morning(0.0)
    assert history.compare("probe_factor").found.things == ()
    bad = clock.now.date().isoformat()
    morning(0.02)
    found = history.compare("probe_factor")
    assert found.found.things == (("day", bad),)
    assert f"all of the day {bad} is off by" in found.words


def checks(store: RunStore, clock: Hands, values: list[list[float]]) -> None:
    """Some checks a day, a minute apart."""
    for of_day in values:
        for value in of_day:
            kept_check(store, "north-1", clock.now, {FACTOR: value})
            clock.forward(minutes=1)
        clock.now = clock.now.replace(hour=8, minute=0) + timedelta(days=1)


def test_a_baseline_needs_ten_repeats_and_knows_both_kinds_of_scatter(
    baselines: Baselines, store: RunStore, clock: Hands
) -> None:
    """A6. By hand: pairs that differ by 0.02 have a variance of 0.0002 within."""
    checks(store, clock, [[1.01, 1.03], [1.05, 1.07], [1.01, 1.03], [1.05, 1.07], [1.05]])
    with pytest.raises(Conflict, match="needs 10 checks that passed, there are 9"):
        baselines.make("north-1", "Ida", "first")
    checks(store, clock, [[1.05]])
    with pytest.raises(BadInput):
        baselines.make("north-1", "Ida", " ")
    made = {b.name: b for b in baselines.make("north-1", "Ida", "commissioned")}[FACTOR]
    assert (made.repeats, made.who, made.because) == (10, "Ida", "commissioned")
    assert made.within == pytest.approx(0.01 * 2**0.5)
    assert made.between > 0.01
    assert made.centre == pytest.approx(np.mean([p["value"] for p in made.points]))
    assert len({p["connection"] for p in made.points}) == 6


def test_one_walk_before_term_is_enough_for_a_baseline(
    baselines: Baselines, store: RunStore, clock: Hands
) -> None:
    """A6: its repeats count each, tips taken off and put on make connections; pairs by hand as above."""
    values = [1.01, 1.03, 1.05, 1.07, 1.01, 1.03, 1.05, 1.07, 1.01, 1.03]
    told = {"values": values, "connections": [0, 0, 1, 1, 2, 2, 3, 3, 4, 4]}
    kept_check(store, "north-1", clock.now, {FACTOR: 1.04}, repeats={FACTOR: told}, only=["before-term"])
    (made,) = baselines.make("north-1", "Ida", "before term")
    assert (made.name, made.repeats, [p["value"] for p in made.points]) == (FACTOR, 10, values)
    assert made.within == pytest.approx(0.01 * 2**0.5)
    assert made.between > 0.01
    assert len({p["connection"] for p in made.points}) == 5


def test_a_baseline_is_replaced_with_a_reason_and_the_one_before_stays(
    baselines: Baselines, store: RunStore, clock: Hands
) -> None:
    """Nothing is overwritten; the new one rests on checks since the last one; failed checks are left out."""
    checks(store, clock, [[1.0 + 0.001 * n for n in range(10)]])
    first = {b.name: b for b in baselines.make("north-1", "Ida", "first")}[FACTOR]
    clock.forward(minutes=1)
    with pytest.raises(Conflict, match="there are 0"):
        baselines.make("north-1", "Ida", "again")
    finding = Finding("crosstalk", "bench", "warning", None, "m", "r", {})
    kept_check(store, "north-1", clock.now, {FACTOR: 1.09}, findings=[finding])
    clock.now += timedelta(days=1)
    checks(store, clock, [[1.05 + 0.001 * n for n in range(11)]])
    second = {b.name: b for b in baselines.make("north-1", "Ben", "new probes")}[FACTOR]
    assert second.repeats == 11
    assert second.centre == pytest.approx(1.055)
    both = [b for b in baselines.all("north-1", replaced=True) if b.name == FACTOR]
    assert [(b.because, b.replaced_at) for b in both] == [("new probes", None), ("first", second.made_at)]
    assert (both[1].points, both[1].centre) == (first.points, first.centre)


def test_retention_never_touches_what_a_baseline_rests_on(
    baselines: Baselines, store: RunStore, clock: Hands
) -> None:
    """Its runs are kept, and even without them its points stand in it."""
    checks(store, clock, [[1.0] * 10])
    baselines.make("north-1", "Ida", "first")
    kept_check(store, "north-1", clock.now)
    clock.forward(days=1000)
    assert Retention(store, {"check": 30}, clock).round() == 1, "only the one that no baseline rests on"
    assert store.read(baselines.all("north-1")[0].points[0]["run"]).kept_for == "baseline of north-1"
    assert len(baselines.all("north-1")[0].points) == 10


def test_a_bad_probe_is_named_in_a_room_whose_places_differ() -> None:
    """G2 for the room: 3 % off where values and places scatter by 0.3 %; in 95 of 100 simulations."""
    rng = np.random.default_rng(4)
    assert sum(_named(rng, 0.3, 3.0) for _ in range(100)) >= 95


def _named(rng: np.random.Generator, scatter: float, off: float) -> bool:
    """Three mornings of eight stations, an exchange of the bad probe with a good one, two mornings more."""
    places = [(f"north-{n}", line) for n in range(8) for line in ("to_target", "from_target")]
    own = {place: rng.normal(scale=scatter) for place in places}
    where = {place: f"P-{n}" for n, place in enumerate(places)}
    one, other = places[3], places[10]
    bad, points = where[one], []
    for day in range(5):
        if day == 3:
            where = {**where, one: where[other], other: where[one]}
        for (station, line), probe in where.items():
            value = own[station, line] + rng.normal(scale=scatter) + (off if probe == bad else 0.0)
            at = f"2027-01-{11 + day}T08:00:00.000Z"
            points.append(
                Point(at, "run", station, f"{line}.swing", value, None, "%", None, None, None, {line: probe})
            )
    return stands_out(points).things == (("probe", bad),)
