"""Each measured number over time: of a station, of a thing through all its places, and of the whole room."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import numpy as np
import sqlalchemy as sa

from service import tables as t
from service.database import Database
from service.errors import NotFound
from service.pipeline.blame import Blame, Observation, blame
from service.pipeline.numbers import with_uncertainty
from service.pipeline.trend import FEWEST
from service.room.courses import Course, Point, course_of
from service.room.inventory import Inventory
from service.room.items import LINES, Placement, is_about, subject_of
from service.room.plain import line_words, number_words
from service.run_record import Clock, timestamp

POINTS_MAX = 5000
FEWEST_CELLS = 4
NOBODY = Blame((), 0.0, 0.0)
Things = tuple[tuple[str, str], ...]
COMPARED_DAYS = 14.0
"""Mornings that are compared: enough for two placements of a probe, few enough for one spread."""


@dataclass(frozen=True)
class Comparison:
    """One number over all stations: whether something stands out, and what."""

    name: str
    unit: str
    values: int
    spread: float
    """Standard deviation of what a place shows when nothing is wrong (robust, over the room)."""
    found: Blame
    words: str


@dataclass(frozen=True)
class History:
    """What checks have measured. Only those that came to an end count."""

    database: Database
    inventory: Inventory
    clock: Clock

    def names(self, station: str) -> list[str]:
        """What was measured there, in alphabetical order."""
        m = t.measurements.c
        query = (
            sa.select(m.name)
            .join(t.runs, t.runs.c.id == m.run_id)
            .where(m.station == station, m.value.is_not(None), *_of_checks())
        )
        with self.database.reading() as connection:
            return sorted(connection.execute(query.distinct()).scalars())

    def of_station(self, station: str, name: str, since: str = "") -> Course:
        """The course of one number of the station. NotFound names those that there are."""
        points = self._points(t.measurements.c.station == station, t.measurements.c.name == name, since=since)
        if not points:
            there = ", ".join(self.names(station)) or "nothing yet"
            raise NotFound(f"{station} has no values of {name[:80]!r}; it has {there}")
        return course_of(name, points)

    def courses_of_station(self, station: str, since: str = "") -> list[Course]:
        """All numbers of the station by name."""
        return _courses(self._points(t.measurements.c.station == station, since=since), lambda p: p.name)

    def of_item(self, item_id: str, name: str | None = None) -> list[Course]:
        """Every number that speaks of the thing, through all its places; of a probe without its line's name.

        NotFound: there is no such thing.
        """
        item = self.inventory.one(item_id)
        found: list[Point] = []
        for at in self.inventory.placements(item=item_id):
            subject = subject_of(item.kind, at.place)
            within = [t.measurements.c.station == at.station, t.measurements.c.at >= at.since]
            within += [t.measurements.c.at < at.until] if at.until is not None else []
            found += self._points(*within, subject=subject)

        def shown(point: Point) -> str:
            return point.name.rsplit(".", 1)[-1] if item.kind == "probe" else point.name

        courses = _courses(sorted(found, key=lambda p: p.at), shown)
        return [course for course in courses if name in (None, course.name)]

    def compare(self, name: str, days: float = COMPARED_DAYS) -> Comparison:
        """Hold one number of all stations and things side by side; `name` without the line.

        NotFound: too few values.
        """
        m = t.measurements.c
        names = [name, *(f"{line}.{name}" for line in LINES)]
        since = timestamp(self.clock() - timedelta(days=days))
        points = self._points(m.name.in_(names), since=since)
        if len(points) < FEWEST:
            raise NotFound(f"too few values of {name[:80]!r} in the last {days:g} days to compare stations")
        unit, found = points[-1].unit, stands_out(points)
        words = _in_words(found, name, unit)
        return Comparison(name, unit, len(points), _room_spread(_cells(points)), found, words)

    def _points(
        self, *wanted: sa.ColumnElement[bool], since: str = "", subject: str | None = None
    ) -> list[Point]:
        """Oldest first, the newest POINTS_MAX of them."""
        m = t.measurements.c
        columns = (m.at, m.run_id, m.station, m.name, m.value, m.u, m.unit, m.verdict, m.subject)
        query = (
            sa.select(*columns, m.least, m.greatest)
            .join(t.runs, t.runs.c.id == m.run_id)
            .where(*wanted, m.value.is_not(None), m.at >= since, *_of_checks())
            .order_by(m.at.desc(), m.position)
            .limit(POINTS_MAX)
        )
        with self.database.reading() as connection:
            rows = list(connection.execute(query))[::-1]
        spoken = [row for row in rows if subject is None or is_about(row.subject, subject)]
        places: dict[str, list[Placement]] = defaultdict(list)
        for placement in self.inventory.placements():
            places[placement.station].append(placement)
        return [_point(row, places[row.station]) for row in spoken]


def _of_checks() -> tuple[sa.ColumnElement[bool], ...]:
    return (t.runs.c.kind == "check", t.runs.c.state == "done")


def _point(row: Any, placements: Sequence[Placement]) -> Point:
    there = [p for p in placements if p.since <= row.at and (p.until is None or row.at < p.until)]
    kinds = {p.place: "probe" if p.place in LINES else p.place for p in there}
    things = {p.place: p.item for p in there if _concerns(row.subject, subject_of(kinds[p.place], p.place))}
    return Point(
        at=row.at,
        run=row.run_id,
        station=row.station,
        name=row.name,
        value=row.value,
        u=row.u,
        unit=row.unit or "",
        verdict=row.verdict,
        least=row.least,
        greatest=row.greatest,
        things=things,
    )


def _concerns(subject: str | None, thing: str) -> bool:
    """A number without a subject resolves to all that is there."""
    return subject is None or is_about(subject, thing)


def _courses(points: Sequence[Point], key: Callable[[Point], str]) -> list[Course]:
    by_name: dict[str, list[Point]] = defaultdict(list)
    for point in points:
        by_name[key(point)].append(point)
    return [course_of(name, by_name[name]) for name in sorted(by_name)]


def _things(point: Point) -> dict[str, str]:
    line = point.name.split(".")[0] if "." in point.name else ""
    place = f"{point.station} {line}".strip()
    things = {"day": point.at[:10], "station": point.station, "place": place}
    things |= {"probe" if where in LINES else where: item for where, item in point.things.items()}
    return things if line else {k: v for k, v in things.items() if k != "place"}


def stands_out(points: Sequence[Point]) -> Blame:
    """The thing, place, station or else day whose values lie off those of the others."""
    cells = _cells(points)
    seen = [Observation(_middle(values), dict(things)) for things, values in cells.items()]
    if len(seen) >= FEWEST_CELLS:
        found = blame(seen, _room_spread(cells), len(seen) - 2)
        if found.things:
            return found
    return _bad_day(cells)


def _cells(points: Sequence[Point]) -> dict[Things, list[Point]]:
    """Values that were measured at the same place with the same things, on whatever day."""
    cells: dict[Things, list[Point]] = defaultdict(list)
    for point in points:
        cells[tuple(sorted((k, v) for k, v in _things(point).items() if k != "day"))].append(point)
    return cells


def _middle(points: Sequence[Point]) -> float:
    return float(np.median([point.value for point in points]))


def _room_spread(cells: Mapping[Things, Sequence[Point]]) -> float:
    """How much good places differ from each other, or their values from day to day, whichever is more."""
    middles = np.array([_middle(points) for points in cells.values()])
    apart = 1.4826 * float(np.median(np.abs(middles - np.median(middles))))
    return max(apart, _day_spread(cells), 1e-9 * float(np.max(np.abs(middles))), 1e-300)


def _day_spread(cells: Mapping[Things, Sequence[Point]]) -> float:
    steps = np.concatenate([np.diff([p.value for p in points]) for points in cells.values()])
    return 1.4826 * float(np.median(np.abs(steps))) / 2**0.5 if len(steps) else 0.0


def _bad_day(cells: Mapping[Things, Sequence[Point]]) -> Blame:
    """Whether everything was off on one day, against what each place usually shows."""
    spread = _day_spread(cells)
    told = [
        Observation(point.value - _middle(points), {"day": point.at[:10]})
        for points in cells.values()
        for point in points
    ]
    return blame(told, spread) if spread > 0 else NOBODY


def _in_words(found: Blame, name: str, unit: str) -> str:
    label = number_words(name)
    if not found.things:
        return f"{label}: no station and no thing stands out"
    shift = with_uncertainty(found.shift, found.u, unit)
    named = [KIND_WORDS.get(kind, kind) + f" {_place_words(thing)}" for kind, thing in found.things]
    if not found.decided:
        return (
            f"{label}: {' or '.join(named)} is off by {shift}; to tell which, put the probe on another line "
            "or station for two checks"
        )
    if found.things[0][0] in MOVES:
        return f"{label}: {named[0]} is off by {shift} wherever it is"
    return f"{label}: all of {named[0]} is off by {shift}"


def _place_words(thing: str) -> str:
    """ "south-7 from_target" as "south-7, from-target line"; anything else as it is."""
    station, _, line = thing.rpartition(" ")
    return f"{station}, {line_words(line)}" if station and line in LINES else thing


KIND_WORDS = {"day": "the day", "place": "the channel on", "station": "station"}
MOVES = ("probe", "scope", "bridge", "board", "pc", "supply")
