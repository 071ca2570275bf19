"""Gathers from the store what a standing follows from."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from service import room_tables as r
from service import tables as t
from service.database import Database
from service.hooks import Since
from service.panel import SINCE_LAST, findings_since
from service.room.inventory import Inventory
from service.room.items import is_partial
from service.room.standing import (
    Event,
    Facts,
    LastCheck,
    Standing,
    event_of_error,
    event_of_finding,
    seen_again,
    standing_of,
)
from service.run_record import Clock

CHECKS_BACK = 20
"""So many checks are looked through for one that was of the whole station."""
EVENTS_MAX = 20
"""The newest of them are told."""


@dataclass(frozen=True)
class Standings:
    """What each station may be used for, as of now."""

    database: Database
    inventory: Inventory
    clock: Clock

    def of(self, stations: Iterable[str]) -> dict[str, Standing]:
        """By station. DatabaseAway."""
        names = list(stations)
        self.inventory.settle()
        things = self.inventory.all()
        facts = []
        with self.database.reading() as connection:
            for name in names:
                check = last_check(connection, name)
                since = check.began_at if check else ""
                there = [i for i in things if i.placement and i.placement.station == name]
                facts.append(Facts(name, check, events_since(connection, name, since, check), there))
        now = self.clock()
        return {fact.station: standing_of(fact, now) for fact in facts}


def last_check(connection: sa.Connection, station: str) -> LastCheck | None:
    """The newest whole check that came to an end."""
    query = (
        sa.select(t.runs.c.id, t.runs.c.started_at, t.results.c.document)
        .join(t.results, t.results.c.run_id == t.runs.c.id)
        .where(t.runs.c.station == station, t.runs.c.kind == "check", t.runs.c.state == "done")
        .order_by(t.runs.c.started_at.desc(), t.runs.c.id.desc())
        .limit(CHECKS_BACK)
    )
    for row in connection.execute(query):
        if not is_partial(row.document):
            return _check(row)
    return None


def events_since(connection: sa.Connection, station: str, since: str, check: LastCheck | None) -> list[Event]:
    """What happened to the station since that moment, oldest first."""
    found = [
        *_errors(connection, station, since),
        *_findings(connection, station, since, check.run if check else None),
        *_visits(connection, station, since),
        *_moves(connection, station, since),
    ]
    answered = _answered(connection, station)
    told = [seen_again(event) if event.at < answered else event for event in found]
    return sorted(told, key=lambda event: event.at)[-EVENTS_MAX:]


def _answered(connection: sa.Connection, station: str) -> str:
    """When the newest run began that came to a verdict: the station was there. Empty for none."""
    runs = t.runs.c
    query = sa.select(sa.func.max(runs.started_at)).where(
        runs.station == station, runs.state == "done", runs.verdict.in_(("pass", "fail"))
    )
    return connection.execute(query).scalar() or ""


def _errors(connection: sa.Connection, station: str, since: str) -> list[Event]:
    query = sa.select(t.runs.c.finished_at, t.runs.c.error).where(
        t.runs.c.station == station, t.runs.c.state == "error", t.runs.c.started_at > since
    )
    events = []
    for row in connection.execute(query):
        problem = str((row.error or {}).get("type", "")).rsplit("/", 1)[-1]
        events.append(event_of_error(problem, str((row.error or {}).get("detail", "")), row.finished_at))
    return [event for event in events if event is not None]


def _findings(connection: sa.Connection, station: str, since: str, but: str | None) -> list[Event]:
    """Those of the check itself are in its outcome."""
    f = t.findings.c
    query = sa.select(f.code, f.severity, f.message, f.at, f.run_id).where(
        f.station == station, f.side == "bench", f.at > since
    )
    rows = [row for row in connection.execute(query.order_by(f.at)) if row.run_id != but]
    events = [event_of_finding(row.code, row.severity, row.message, row.at) for row in rows]
    return [event for event in events if event is not None]


def _visits(connection: sa.Connection, station: str, since: str) -> list[Event]:
    """What happened to the station's scope and no finding of the station tells: the run was stopped or died,
    or was one of another station that has the same scope."""
    v, runs = t.visits.c, t.runs.c
    mine = sa.select(v.scope).join(t.runs, runs.id == v.run_id).where(runs.station == station)
    told = sa.exists().where(t.findings.c.run_id == v.run_id, t.findings.c.code.in_(SINCE_LAST))
    query = (
        sa.select(v.met_at, v.switched_on, v.changed)
        .join(t.runs, runs.id == v.run_id)
        .where(v.scope.in_(mine), v.met_at > since, (runs.station != station) | ~told)
    )
    events = []
    for row in connection.execute(query):
        for found in findings_since(Since(row.switched_on, row.changed and tuple(row.changed))):
            events.append(event_of_finding(found.code, found.severity, found.message, row.met_at))
    return [event for event in events if event is not None]


def _moves(connection: sa.Connection, station: str, since: str) -> list[Event]:
    if not since:
        return []  # without a check there is nothing to break
    p = r.placements.c
    query = sa.select(p.item, p.place, p.since, p.until).where(
        p.station == station, (p.since > since) | (p.until > since)
    )
    events = []
    for row in connection.execute(query):
        if row.since > since:
            events.append(_moved(row.since, f"{row.item} came to {row.place}"))
        if row.until is not None and row.until > since:
            events.append(_moved(row.until, f"{row.item} was taken from {row.place}"))
    return events


def _moved(at: str, words: str) -> Event:
    return Event(at, "item-moved", words, "practice-only")


def _check(row: Any) -> LastCheck:
    document = row.document
    return LastCheck(
        run=row.id,
        began_at=row.started_at,
        checked_at=document["checked_at"],
        valid_until=document["valid_until"],
        outcome=document["outcome"],
        first_step=document["first_step"],
        why=_why(document),
        next_steps=tuple(document.get("next_steps", ())),
    )


def _why(document: Mapping[str, Any]) -> str:
    """The first cause that the check named; without one its gravest finding."""
    told = [cause.get("words") for cause in document.get("causes", ())]
    told += [f.get("message") for f in document.get("findings", ()) if f.get("severity") != "info"]
    return next((words for words in told if words), "")
