"""Gathers from the store what the statistics follow from."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import sqlalchemy as sa

from service import room_tables as r
from service import tables as t
from service.database import Database
from service.errors import BadQuery
from service.room.breaks import (
    Life,
    Seen,
    Span,
    StateChange,
    Window,
    breaks_of_thing,
    life_of_station,
)
from service.room.inventory import Inventory
from service.room.items import is_partial
from service.room.statistics import statistics_document
from service.room.tally import past_tallies, tallies
from service.run_record import Clock, moment_of, timestamp
from service.stations import Station

USUAL_DAYS = 182.0
"""Half a year, when nobody says since when."""


@dataclass(frozen=True)
class Statistics:
    """What the lab can count of itself."""

    database: Database
    stations: Sequence[Station]
    inventory: Inventory
    clock: Clock

    def of(self, since: str | None = None, until: str | None = None) -> dict[str, Any]:
        """The page of that time, without `until` to this moment and without `since` the half year before.

        Times are RFC 3339; of a day without an hour its beginning in UTC counts.

        Raises:
            BadQuery: a time is none, or they are the wrong way round. DatabaseAway.
        """
        now = self.clock()
        end = min(moment_of(until, "until"), now) if until else now
        begin = moment_of(since, "since") if since else end - timedelta(days=USUAL_DAYS)
        if begin >= end:
            raise BadQuery(f"since {timestamp(begin)} is not before until {timestamp(end)}")
        self.inventory.settle()
        window = Window(begin, end)
        with self.database.reading() as connection:
            seen = self._whole_checks(connection, window)
            stations = [life_of_station(station.name, seen[station.name]) for station in self.stations]
            lives = [*stations, *_lives_of_things(connection)]
            runs = t.runs.c
            asked = (runs.created_at >= timestamp(begin), runs.created_at < timestamp(end))
            counted = tallies(connection, *asked) + past_tallies(
                connection, timestamp(begin)[:10], timestamp(end)[:10]
            )
        checks = [check for station in self.stations for check in seen[station.name]]
        return statistics_document(window, lives, counted, checks)

    def _whole_checks(self, connection: sa.Connection, window: Window) -> Mapping[str, Sequence[Seen]]:
        """By station, oldest first, all until the window's end."""
        run, document = t.runs.c, t.results.c.document
        parts = [document[name].label(name) for name in ("outcome", "whole", "only")]
        query = (
            sa.select(run.station, run.finished_at, *parts)
            .join(t.results, t.results.c.run_id == run.id)
            .where(run.kind == "check", run.state == "done", run.finished_at < timestamp(window.until))
            .order_by(run.finished_at, run.id)
        )
        seen: dict[str, list[Seen]] = defaultdict(list)
        for row in connection.execute(query):
            told = {name: getattr(row, name) for name in ("whole", "only") if getattr(row, name) is not None}
            if not is_partial(told):
                seen[row.station].append(Seen(moment_of(row.finished_at, "finished_at"), row.outcome))
        return seen


def _lives_of_things(connection: sa.Connection) -> list[Life]:
    log, place = r.item_log.c, r.placements.c
    changes: dict[str, list[StateChange]] = defaultdict(list)
    query = sa.select(log.item, log.at, log.details).where(log.what.in_(("state", "proved")))
    passed = _ends_of_checks(connection)
    for row in connection.execute(query.order_by(log.id)):
        at = moment_of(passed.get(row.details.get("run"), row.at), "at")
        changes[row.item].append(StateChange(at, row.details["to"], row.details.get("asked")))
    spans: dict[str, list[Span]] = defaultdict(list)
    for row in connection.execute(sa.select(place.item, place.since, place.until).order_by(place.id)):
        end = moment_of(row.until, "until") if row.until is not None else None
        spans[row.item].append(Span(moment_of(row.since, "since"), end))
    things = connection.execute(sa.select(r.items.c.id, r.items.c.kind).order_by(r.items.c.id))
    return [Life(row.id, row.kind, spans[row.id], breaks_of_thing(changes[row.id])) for row in things]


def _ends_of_checks(connection: sa.Connection) -> dict[str | None, str]:
    """A check proves a thing when it ends, and somebody may look for it later."""
    runs = t.runs.c
    query = sa.select(runs.id, runs.finished_at).where(runs.kind == "check", runs.state == "done")
    return {row.id: row.finished_at for row in connection.execute(query)}
