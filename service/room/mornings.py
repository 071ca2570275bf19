"""Makes the morning summary when its hour has come, keeps it, and puts what is to be sent into the outbox."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa

from service import room_tables as r
from service import tables as t
from service.check.room_clocks import in_sentences, suspects_of
from service.database import Database
from service.errors import NotFound
from service.room.history import History
from service.room.morning import Occasion, StationFacts, in_order_of_persons, morning_document
from service.room.morning_plan import MailTarget, MorningPlan, Target
from service.room.presence import Presence
from service.room.standing import Standing
from service.room.standings import Standings
from service.room_rules import all_of
from service.run_record import SETTLED, Clock, Run, timestamp
from service.run_rows import runs_of
from service.stations import Station

TREND_DAYS = 120.0
COMPARED = ("probe_factor", "compensation", "zero")
"""Numbers that every station has alike, so that one that stands out means something."""
CLOCKS = ("scope-clock", "bridge-clock", "board-clock")
"""Causes by which a check names a clock itself."""


@dataclass(frozen=True)
class Mornings:
    """All summaries that there were, and the one of now."""

    database: Database
    stations: Sequence[Station]
    standings: Standings
    presence: Presence
    history: History
    clock: Clock
    plan: MorningPlan | None = None

    def now(self, due: datetime | None = None) -> dict[str, Any]:
        """The summary as it would be at this moment; nothing is kept or sent."""
        plan = self.plan or MorningPlan(at="00:00")
        made = self.clock()
        at = due or made
        names = [station.name for station in self.stations if plan.takes(station.name)]
        standings, claims = self.standings.of(names), self.presence.all()
        began = plan.checks_began(at)
        since = timestamp(made - timedelta(days=TREND_DAYS))
        facts = [
            StationFacts(
                standing=standings[name],
                pending=self._pending(standings[name], began),
                claimed_by=claims[name].who if name in claims else None,
                courses=self.history.courses_of_station(name, since),
            )
            for name in names
        ]
        known = {one.standing.station for one in facts if not one.standing.grading}
        told = [*self._clocks(standings.values()), *self._standing_out(known)]
        document = morning_document(Occasion(at, made, plan.zone), facts, told)
        return document | {"local_rules": list(all_of(self.stations[0].room if self.stations else None))}

    def make_due(self) -> str | None:
        """Make and keep the summary whose hour has come; its date, or None when there is none to make.

        Several processes may try: one makes it. DatabaseAway: it is made as soon as the database is back.
        """
        due = self.plan.due(self.clock()) if self.plan else None
        if self.plan is None or due is None:
            return None
        date = self.plan.date_of(due)
        if date in self.dates(limit=1):
            return None
        document = self.now(due)
        now = timestamp(self.clock())
        row = {"date": date, "due_at": timestamp(due), "made_at": now, "document": document}
        waiting = {"morning": date, "state": "waiting", "attempts": 0, "next_at": now, "made_at": now}
        try:
            with self.database.changing() as connection:
                connection.execute(sa.insert(r.mornings).values(row))
                for target in self.plan.to:
                    connection.execute(sa.insert(r.deliveries).values(waiting | _address(target, date)))
        except sa.exc.IntegrityError:
            return None
        return date

    def dates(self, limit: int = 400) -> list[str]:
        """Newest first."""
        query = sa.select(r.mornings.c.date).order_by(r.mornings.c.date.desc()).limit(limit)
        with self.database.reading() as connection:
            return list(connection.execute(query).scalars())

    def one(self, date: str) -> dict[str, Any]:
        """The summary of that day as it was made, with what became of sending it. NotFound."""
        query = sa.select(r.mornings.c.document).where(r.mornings.c.date == date)
        sent = sa.select(r.deliveries).where(r.deliveries.c.morning == date).order_by(r.deliveries.c.id)
        with self.database.reading() as connection:
            document: dict[str, Any] | None = connection.execute(query).scalar()
            rows = connection.execute(sent).all()
        if document is None:
            there = ", ".join(self.dates(limit=3)) or "none yet"
            raise NotFound(f"no morning summary of {date[:20]!r}; the newest are {there}")
        names = ("way", "target", "state", "attempts", "last_error", "settled_at")
        return document | {"deliveries": [{name: getattr(row, name) for name in names} for row in rows]}

    def _pending(self, standing: Standing, began: datetime | None) -> Run | None:
        """A check of this morning that has not come to its end, unless another one has."""
        since = timestamp(began) if began is not None else None
        if since is None or (standing.check is not None and standing.check.began_at >= since):
            return None
        query = (
            sa.select(t.runs)
            .where(t.runs.c.station == standing.station, t.runs.c.kind == "check")
            .where(t.runs.c.state.not_in(SETTLED))
            .order_by(t.runs.c.sequence.desc())
            .limit(1)
        )
        with self.database.reading() as connection:
            found = runs_of(connection, query)
        return found[0] if found else None

    def _clocks(self, standings: Iterable[Standing]) -> list[str]:
        """Clocks that only the room shows to be off; what a station's own check says is not said again."""
        runs = [one.check.run for one in standings if one.check is not None]
        query = sa.select(t.results.c.document).where(t.results.c.run_id.in_(runs))
        with self.database.reading() as connection:
            documents = list(connection.execute(query).scalars())
        own = {d["station"] for d in documents for c in d.get("causes", ()) if c.get("cause") in CLOCKS}
        told = in_sentences(suspects_of(documents))
        return [told[name] for name in sorted(told, key=in_order_of_persons) if name not in own]

    def _standing_out(self, known: Collection[str]) -> list[str]:
        """Sentences about what is off; what only repeats that a `known` station is in trouble is left out."""
        told = []
        for name in COMPARED:
            try:
                found = self.history.compare(name)
            except NotFound:
                continue  # too few checks so far to compare anything
            if found.found.things and not _repeats(found.found.things, known):
                told.append(found.words)
        return told


def _repeats(things: Sequence[tuple[str, str]], known: Collection[str]) -> bool:
    """A place or a whole station, and all of them are in trouble anyway."""
    return all(kind in ("place", "station") and name.split(" ")[0] in known for kind, name in things)


def _address(target: Target, date: str) -> dict[str, str]:
    """The same message id at each attempt: whoever gets it twice can tell."""
    way = "mail" if isinstance(target, MailTarget) else "webhook"
    digest = hashlib.sha256(f"{date} {way} {target.name}".encode()).hexdigest()[:24]
    return {"way": way, "target": target.name, "message_id": f"morning-{date}-{digest}"}
