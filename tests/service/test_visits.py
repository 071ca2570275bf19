"""How runs find and leave a scope, as rows: what the next one knows of it, whatever became of the last."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from drivers import open_scope
from service.database import Database
from service.hooks import Met, Since
from service.panel import name_of
from service.room.standings import events_since
from service.run_record import new_run, timestamp
from service.store import RunStore
from service.wiring import idle_maker
from tests.whole.benches import one_bench, station_of

SCOPE, OTHER = "TCPIP::192.0.2.3::INSTR HARBOUR,X,1", "TCPIP::192.0.2.3::INSTR HARBOUR,X,2"
BEGAN = datetime(2027, 1, 12, 6, 31, tzinfo=UTC)


@dataclass
class Days:
    """Runs, a minute apart."""

    store: RunStore
    minutes: int = 0

    def now(self) -> datetime:
        return BEGAN + timedelta(minutes=self.minutes)

    def run(self, station: str = "north-1") -> str:
        self.minutes += 1
        run = self.store.create(new_run("echo-test", station, {}, self.now(), origin="command"))
        self.store.move(run.id, "running", started_at=timestamp(self.now()))
        return run.id

    def meet(self, run: str, *, on: bool = False, scope: str = SCOPE, **panel: object) -> Since:
        self.minutes += 1
        self.store.visits.met(run, Met(scope, on, panel or None), timestamp(self.now()))
        return self.store.visits.since(run)

    def leave(self, run: str, state: str = "done", **panel: object) -> None:
        self.minutes += 1
        self.store.visits.left(run, panel or None, timestamp(self.now()))
        self.store.move(run, state, finished_at=timestamp(self.now()))

    def events(self, station: str = "north-1") -> list[str]:
        with self.store.database.reading() as connection:
            return [event.what for event in events_since(connection, station, "", None)]


@pytest.fixture
def days(database: str, tmp_path: Path) -> Iterator[Days]:
    opened = Database(database)
    yield Days(RunStore(opened, tmp_path))
    opened.close()


def test_the_first_meeting_says_nothing(days: Days) -> None:
    """Every scope was switched on once, and had some settings; nor does another scope's past matter."""
    first = days.run()
    assert days.meet(first, on=True, level=1.0) == Since()
    days.leave(first, level=1.5)
    other = days.run()
    assert days.meet(other, on=True, scope=OTHER, level=9.0) == Since()


def test_the_next_run_knows_how_the_last_one_left_it(days: Days) -> None:
    """Not how it was found; and what it met itself is not forgotten when it opens the scope once more."""
    first, second = days.run(), days.run()
    days.meet(first, level=1.0)
    days.leave(first, level=1.5)
    assert days.meet(second, level=1.5) == Since(changed=())
    third = days.run()
    days.leave(second, level=1.5)
    assert days.meet(third, on=True, level=0.0) == Since(True, ("level 1.5 -> 0",))
    assert days.meet(third, level=7.0) == Since(True, ("level 1.5 -> 0",))


def test_after_a_run_that_never_let_go_nothing_is_compared(days: Days) -> None:
    """Its program died at the scope: what it left is nobody's hand. That the scope was off is still seen."""
    first, second = days.run(), days.run()
    days.meet(first, level=1.0)
    days.leave(first, level=1.5)
    days.meet(second, level=1.5)
    assert days.meet(days.run(), on=True, level=3.0) == Since(switched_on=True, changed=None)


def test_a_scope_that_goes_off_during_a_run_is_told_even_at_the_first_meeting(days: Days) -> None:
    """Between two openings, or while it was open."""
    first, second = days.run(), days.run("north-2")
    days.meet(first, on=True)
    assert days.meet(first, on=True).switched_on
    days.meet(second, on=True, scope=OTHER)
    days.store.visits.left(second, None, timestamp(days.now()), switched_on=True)
    assert days.store.visits.since(second).switched_on


@pytest.mark.parametrize("state", ["cancelled", "error"])
def test_a_run_that_was_stopped_does_not_lose_what_the_scope_says_only_once(days: Days, state: str) -> None:
    """It has no result, so no finding; the station's status ends all the same, and for whoever shares it."""
    first = days.run()
    days.meet(first, level=1.0)
    days.leave(first, level=1.5)
    neighbour = days.run("north-2")
    days.meet(neighbour, level=1.5)
    days.leave(neighbour, level=1.5)
    stopped = days.run()
    days.meet(stopped, on=True, level=0.0)
    days.leave(stopped, state, level=2.0)
    assert days.events() == ["power-cycled"]
    assert days.events("north-2") == ["power-cycled"]
    assert days.events("north-3") == []


def test_what_the_scope_says_to_somebody_who_does_no_run_is_kept_for_the_station(days: Days) -> None:
    """Whoever puts a scope to rest after a crash is the only one who hears that it was off."""
    with one_bench(seed=4) as bench:
        at, make_idle = station_of(bench), idle_maker(days.store, days.now)
        make_idle(at)
        assert days.events() == [], "no run has met it yet"
        with open_scope(at.scope, at.dialect) as scope:
            name = name_of(at, scope)
        run = days.run()
        days.meet(run, scope=name)
        days.leave(run)
        days.minutes += 1
        make_idle(at)
        assert days.events() == []
        bench.person.power_cycle()
        make_idle(at)
        assert days.events() == ["power-cycled"]
