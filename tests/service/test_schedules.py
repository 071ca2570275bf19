"""Schedules by a fixed clock: local times through the changes of the clock, missed moments, nothing twice."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from service.errors import BadInput, BadStationsFile, Conflict, NotFound
from service.run_record import moment_of, timestamp
from service.scheduler import Scheduler, read_schedules
from service.schedules import Schedule, schedule_from
from service.wiring import Wiring
from tests.service.bench_of_straw import NAMES, straw_wiring

KINDS = ("echo-test", "check")


def utc(text: str) -> datetime:
    return moment_of(text, "t")


def moments(cron: str, zone: str, after: str, until: str) -> list[str]:
    """UTC to the minute."""
    schedule = Schedule("s", cron, ("*",), zone)
    return [timestamp(m)[:16] for m in schedule.moments(utc(after), utc(until))]


def test_half_past_seven_is_local_in_winter_and_in_summer() -> None:
    """Berlin is UTC+1 and UTC+2 (IANA time zone data); the clocks change on Sunday 2027-03-28."""
    found = moments("30 7 * * *", "Europe/Berlin", "2027-03-26T12:00Z", "2027-03-29T12:00Z")
    assert found == ["2027-03-27T06:30", "2027-03-28T05:30", "2027-03-29T05:30"]


def test_weekdays_are_those_of_the_place() -> None:
    """Monday 07:30 in Auckland is Sunday evening in UTC."""
    found = moments("30 7 * * 1", "Pacific/Auckland", "2027-01-09T00:00Z", "2027-01-12T00:00Z")
    assert found == ["2027-01-10T18:30"]


def test_a_time_that_spring_leaves_out_is_served_once() -> None:
    """02:30 does not exist in Berlin on 2027-03-28: served at 03:30 local, 01:30 UTC."""
    found = moments("30 2 * * *", "Europe/Berlin", "2027-03-27T12:00Z", "2027-03-29T12:00Z")
    assert found == ["2027-03-28T01:30", "2027-03-29T00:30"]


def test_a_time_that_autumn_brings_twice_is_served_the_first_time_only() -> None:
    """02:30 comes at 00:30 and at 01:30 UTC on 2027-10-31."""
    found = moments("30 2 * * *", "Europe/Berlin", "2027-10-30T12:00Z", "2027-11-01T12:00Z")
    assert found == ["2027-10-31T00:30", "2027-11-01T01:30"]


@pytest.mark.parametrize("day", ["2027-03-28", "2027-10-31"])
def test_every_quarter_of_an_hour_goes_on_through_a_change(day: str) -> None:
    """Neither a gap nor a double: 24 times 4 moments in any 24 hours."""
    start = utc(f"{day}T00:00Z") - timedelta(hours=12)
    end = start + timedelta(hours=24)
    found = list(Schedule("s", "*/15 * * * *", ("*",), "Europe/Berlin").moments(start, end))
    assert len(found) == 96
    assert {b - a for a, b in pairwise(found)} == {timedelta(minutes=15)}


def test_the_next_moment_may_be_far_away_or_never() -> None:
    """29 February 2028 is the next one; 30 February never comes."""
    leap = Schedule("s", "0 0 29 2 *", ("*",)).next_after(utc("2027-01-12T00:00Z"))
    assert leap == utc("2028-02-29T00:00Z")
    assert Schedule("s", "0 0 30 2 *", ("*",)).next_after(utc("2027-01-12T00:00Z")) is None


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"cron": "every morning"}, "30 7"),
        ({"cron": "61 7 * * *"}, "is none"),
        ({"cron": "0 30 7 * * *"}, "is none"),
        ({"zone": "Harbour/Street"}, "Europe/Berlin"),
        ({"kind": "nap"}, "echo-test, check"),
        ({"missed": "twice"}, "skip, once"),
        ({"priority": "urgent"}, "class-now"),
        ({"stations": ["east-*"]}, r"east-\*"),
        ({"crno": "x"}, "crno"),
    ],
)
def test_a_schedule_that_cannot_be_served_is_refused_with_what_would_be_right(
    change: dict[str, Any], words: str
) -> None:
    """At the door, not at half past seven."""
    good = {"name": "morning", "cron": "30 7 * * 1-5", "stations": ["north-*"], "zone": "Europe/Berlin"}
    assert schedule_from(good, KINDS, NAMES).stations_of(NAMES) == ["north-1", "north-2"]
    with pytest.raises(BadInput, match=words):
        schedule_from(good | change, KINDS, NAMES)


class Day:
    """A clock that is set by hand."""

    def __init__(self, now: str) -> None:
        self.now = utc(now)

    def __call__(self) -> datetime:
        return self.now.astimezone(UTC)


@pytest.fixture
def lab(tmp_path: Path, database: str) -> Iterator[Callable[..., tuple[Wiring, Day]]]:
    """`lab()`: a service whose engine is not started, so that runs stay where they were put."""
    wirings = []

    def make(now: str = "2027-01-12T06:00Z") -> tuple[Wiring, Day]:
        day = Day(now)
        wirings.append(straw_wiring(tmp_path, more={"clock": day}, database=database))
        return wirings[-1], day

    yield make
    for wiring in wirings:
        wiring.store.database.close()


def morning(wiring: Wiring, **more: Any) -> Schedule:
    """Berlin, half past seven: 06:30 UTC in January."""
    document = {
        "name": "morning", "cron": "30 7 * * *", "zone": "Europe/Berlin", "stations": ["north-*"],
        "kind": "echo-test", "send": {"plan": "short"},
    }  # fmt: skip
    schedule = wiring.scheduler.check(document | more)
    wiring.scheduler.put(schedule)
    return schedule


def asked(wiring: Wiring) -> list[str]:
    """Stations of the runs that a schedule asked for, oldest first."""
    runs = sorted(wiring.store.newest_first(), key=lambda run: run.sequence)
    return [run.station for run in runs if run.schedule]


def test_a_moment_is_served_for_all_its_stations_and_once(lab: Callable[..., tuple[Wiring, Day]]) -> None:
    """However often somebody looks, and whoever: the second scheduler stands for another process."""
    wiring, day = lab()
    morning(wiring, priority="check")
    other = Scheduler(wiring.store.database, wiring.intake, day, KINDS)
    wiring.scheduler.tick()
    assert asked(wiring) == []
    day.now = utc("2027-01-12T06:30:02Z")
    for scheduler in (wiring.scheduler, other, wiring.scheduler):
        scheduler.tick()
    assert asked(wiring) == ["north-1", "north-2"]
    run, _ = wiring.store.newest_first()
    assert (run.schedule, run.priority, run.payload) == ("morning", "check", b"Tide 7")
    day.now = utc("2027-01-13T06:30:00Z")
    other.tick()
    wiring.scheduler.tick()
    assert asked(wiring) == ["north-1", "north-2"] * 2


@pytest.mark.parametrize(("missed", "times"), [("skip", 0), ("once", 1)])
def test_what_was_missed_is_skipped_or_made_up_for_once(
    lab: Callable[..., tuple[Wiring, Day]], missed: str, times: int
) -> None:
    """Down from Tuesday to Friday noon: three mornings went by; the next one is served as usual."""
    wiring, day = lab()
    morning(wiring, missed=missed)
    day.now = utc("2027-01-15T11:00Z")
    wiring.scheduler.tick()
    wiring.scheduler.tick()
    assert asked(wiring) == ["north-1", "north-2"] * times
    day.now = utc("2027-01-16T06:30:01Z")
    wiring.scheduler.tick()
    assert asked(wiring) == ["north-1", "north-2"] * (times + 1)


def test_a_crash_between_the_runs_and_the_note_of_them_serves_nothing_twice(
    lab: Callable[..., tuple[Wiring, Day]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same moment makes the same keys, and so the same runs."""
    wiring, day = lab()
    morning(wiring)
    day.now = utc("2027-01-12T06:30:02Z")
    real = wiring.scheduler._ask

    def dies(schedule: Schedule, station: str, due_at: str) -> None:
        real(schedule, station, due_at)
        if station == "north-2":
            raise KeyboardInterrupt

    monkeypatch.setattr(wiring.scheduler, "_ask", dies)
    with pytest.raises(KeyboardInterrupt):
        wiring.scheduler.tick()
    monkeypatch.setattr(wiring.scheduler, "_ask", real)
    wiring.scheduler.tick()
    assert asked(wiring) == ["north-1", "north-2"]


def test_a_schedule_that_is_off_or_changed_serves_no_moment_of_before(
    lab: Callable[..., tuple[Wiring, Day]],
) -> None:
    """A change counts from when it was made; what was due before it is not missed."""
    wiring, day = lab()
    morning(wiring, enabled=False, missed="once")
    day.now = utc("2027-01-12T08:00Z")
    wiring.scheduler.tick()
    morning(wiring, missed="once")
    wiring.scheduler.tick()
    assert asked(wiring) == []
    wiring.scheduler.remove("morning")
    day.now = utc("2027-01-14T08:00Z")
    wiring.scheduler.tick()
    assert asked(wiring) == []
    with pytest.raises(NotFound, match="there are none"):
        wiring.scheduler.one("morning")


FILE = """
[[schedule]]
name = "morning"
cron = "30 7 * * 1-5"
zone = "Europe/Berlin"
stations = ["north-*"]
run = "echo-test"
send = {plan = "short"}
"""


def test_the_stations_file_has_schedules_too_and_they_are_changed_there(
    lab: Callable[..., tuple[Wiring, Day]], tmp_path: Path
) -> None:
    """What stands in it counts after a start, and is gone after the start at which it is gone."""
    wiring, day = lab()
    path = tmp_path / "stations.toml"
    path.write_text(FILE)
    given = (wiring.store.database, wiring.intake, day, KINDS)
    scheduler = Scheduler(*given, read_schedules(path))
    scheduler.take_over_file()
    ((schedule, source),) = scheduler.all()
    assert (schedule.kind, schedule.zone, source) == ("echo-test", "Europe/Berlin", "file")
    with pytest.raises(Conflict, match="stations file"):
        scheduler.remove("morning")
    with pytest.raises(Conflict, match="stations file"):
        scheduler.put(schedule)
    Scheduler(*given).take_over_file()
    assert scheduler.all() == []


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (FILE.replace("zone", "zoen"), "did you mean 'zone'"),
        (FILE.replace('cron = "30 7 * * 1-5"', ""), "cron: is missing"),
        (FILE.replace("[[schedule]]", "[schedule]"), "two brackets"),
    ],
)
def test_a_wrong_schedule_in_the_file_is_named_with_its_key(tmp_path: Path, text: str, words: str) -> None:
    """As everything else in that file."""
    path = tmp_path / "stations.toml"
    path.write_text(text)
    with pytest.raises(BadStationsFile, match=words):
        read_schedules(path)
