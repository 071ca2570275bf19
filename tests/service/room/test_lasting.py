"""What stays of old checks, runs and names: the history of things, without files and without persons."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import pytest
import sqlalchemy as sa

from service import room_tables as r
from service import tables as t
from service.access.audit import Audit
from service.errors import BadSettings, UnknownCapture
from service.retention import Retention
from service.room.history import History
from service.room.inventory import Inventory
from service.room.presence import Presence
from service.room.statistic_rows import Statistics
from service.run_record import Run, timestamp
from service.settings import read_settings
from service.store import RunStore
from tests.service.bench_of_straw import NAMES, station
from tests.service.room.papers import Hands, kept_check, kept_failure
from tests.service.room.test_statistics import kept_test

STATIONS = [station(name) for name in NAMES]


def retention(store: RunStore, clock: Hands, **days: float) -> Retention:
    return Retention(store, {name.replace("_", "-"): n for name, n in days.items()}, clock)


def a_year_of_checks(store: RunStore, clock: Hands) -> list[Run]:
    """One a month, drifting, each with a capture, a report and somebody who asked for it."""
    runs = []
    for month in range(12):
        values = {"to_target.probe_factor": 1 + 0.002 * month}
        run = kept_check(store, "north-1", clock.now, values, only=[], whole=True, who_was_there="Ida")
        store.keep_capture(run.id, "shot 1", b"%d" % month, at=timestamp(clock.now))
        store.keep_report(run.id, "report")
        store.change(run.id, lambda _run: {"owner": "ida", "answers": ({"by": "Ida"},)})
        runs.append(run)
        clock.forward(days=30)
    return runs


def course(history: History, name: str = "to_target.probe_factor") -> dict[str, Any]:
    return asdict(history.of_station("north-1", name))


def test_the_trend_of_a_station_survives_its_files(
    store: RunStore, inventory: Inventory, clock: Hands
) -> None:
    """Drift, interval, good-until, every point: the same before and after; the captures are gone."""
    runs = a_year_of_checks(store, clock)
    history = History(store.database, inventory, clock)
    before = course(history)
    assert before["kind"] == "drift"
    capture = store.capture(runs[0].id, "0")
    assert retention(store, clock, check=100).round() == 9
    assert course(history) == before
    assert not capture.exists()
    with pytest.raises(UnknownCapture):
        store.capture(runs[0].id, "0")
    assert store.capture(runs[-1].id, "0").exists()
    assert retention(store, clock, check=100).round() == 0, "what was thinned out is not thinned out again"


def test_an_old_check_names_nobody_any_more(store: RunStore, clock: Hands) -> None:
    """Not who asked for it, who was there, nor what they answered; its outcome and its numbers are there."""
    old, *_ = a_year_of_checks(store, clock)
    retention(store, clock, check=100).round()
    run, result = store.read(old.id), store.result(old.id)
    assert (run.owner, run.answers, run.process, run.report) == (None, (), {}, False)
    assert result is not None
    assert (result["outcome"], result["whole"]) == ("ready", True)
    assert {item["name"] for item in result["items"]} >= {"to_target.zero", "echo_errors"}
    assert "Ida" not in str(result)
    with store.database.reading() as connection:
        assert connection.execute(sa.select(t.events).where(t.events.c.run_id == old.id)).all() == []


def test_runs_that_are_thrown_away_still_count(store: RunStore, inventory: Inventory, clock: Hands) -> None:
    """Void share and waits are the same; no station, no person and no id is left; the audit has the proof."""
    for verdict, cause in (("pass", None), ("fail", None), ("inconclusive", "bench")):
        kept_test(store, clock.forward(hours=1), verdict, cause, wait_s=7.0)
    kept_failure(store, "north-1", clock.forward(hours=1))
    clock.forward(days=60)
    statistics = Statistics(store.database, STATIONS, inventory, clock)
    before = statistics.of()
    assert before["tests"][0]["void"] == 2
    assert retention(store, clock, echo_test=30).round() == 4
    assert statistics.of() == before
    assert statistics.of(until="2027-01-01T00:00:00Z")["tests"][0]["ended"] == 0
    with store.database.reading() as connection:
        row = connection.execute(sa.select(r.past_runs)).mappings().first()
    assert row is not None
    assert set(row) == {"id", "day", "kind", "priority", "outcome", "waited_s"}
    assert [entry.outcome for entry in Audit(store.database, clock).page(None, 5)[0]] == ["thrown away"]


def test_old_names_become_somebody(store: RunStore, inventory: Inventory, clock: Hands) -> None:
    """In the log of things, their places and claims; younger ones, and where things were, stay."""
    presence = Presence(store.database, STATIONS, clock)
    inventory.add("P-1", "probe", "", "Ida")
    inventory.place("P-1", "north-1", "Ida", "to_target")
    presence.claim("north-1", "Ida", for_s=3600.0, because="lesson")
    presence.give_back("north-1", "Ida")
    clock.forward(days=500)
    inventory.set_state("P-1", "out", "Jon", "clip arced")
    retention(store, clock, names=400).round()
    with store.database.reading() as connection:
        rows = [
            str(dict(row))
            for table in (r.item_log, r.placements, r.claims)
            for row in connection.execute(sa.select(table)).mappings()
        ]
    assert not [row for row in rows if "Ida" in row]
    assert [row for row in rows if "Jon" in row]
    (placement,) = inventory.placements(item="P-1")
    assert (placement.station, placement.who) == ("north-1", "somebody")


def test_the_setting_takes_names_beside_kinds() -> None:
    """And says what it knows when it is given something else."""
    assert read_settings({"keep_days": "check=730,names=400"}).keep_days == {"check": 730.0, "names": 400.0}
    with pytest.raises(BadSettings, match="and names"):
        read_settings({"keep_days": "people=3"})
