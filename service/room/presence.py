"""A person is at a bench: nobody works there remotely until it is given back, or the claim runs out.

The claim is a row, so it outlives every process. A run comes to work only in a transaction that looks at the
claims, and claims are made under the same lock (PostgreSQL: one for each station; SQLite has one writer).
Hands are safe as soon as the claim is `clear`: no run is at work there that the claimer did not ask for.
"""

from __future__ import annotations

import getpass
import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import sqlalchemy as sa

from service import room_tables as r
from service import tables as t
from service.database import Database, lock_named
from service.errors import BadInput, NotFound, StationClaimed
from service.room.items import checked_text
from service.run_record import AT_WORK, Clock, Run, moment_of, timestamp, utc_now
from service.run_rows import runs_of
from service.stations import Station, station_named

USUAL_S = 4 * 3600.0
LONGEST_S = 24 * 3600.0
EXPIRED = "ran out"


@dataclass(frozen=True)
class Claim:
    """A person at a bench. Times are RFC 3339 in UTC."""

    id: int
    station: str
    who: str
    owner: str | None
    """What the claimer's own runs are marked with; None: by their `claim` only."""
    because: str
    since: str
    until: str
    ended_at: str | None = None
    ended_because: str | None = None

    def allows(self, run: Run) -> bool:
        """Whether the run may be at work beside the person: they asked for it, now."""
        if run.request.get("claim") == self.id and (self.owner is None or run.owner in (None, self.owner)):
            return True
        now = run.priority == "class-now" or run.origin == "command"
        return now and run.schedule is None and self.owner is not None and run.owner == self.owner

    @property
    def words(self) -> str:
        return f"{self.who} is at {self.station} until {self.until}"


@dataclass(frozen=True)
class Presence:
    """Who is at which bench. Threads and processes may share it."""

    database: Database
    stations: Sequence[Station]
    clock: Clock = utc_now

    def claim(
        self,
        station: str,
        who: str,
        *,
        owner: str | None = None,
        because: str = "at the bench",
        for_s: float = USUAL_S,
    ) -> Claim:
        """From now on nobody else works there; the same person's claim is made to last longer.

        Raises:
            UnknownStation, BadInput; StationClaimed: somebody else is there.
        """
        name = station_named(self.stations, station).name
        because, who = checked_text(because, "a reason"), checked_text(who, "a name")[:100]
        if not 0 < for_s <= LONGEST_S:
            raise BadInput(f"a claim lasts up to {LONGEST_S / 3600:g} hours, was {for_s / 3600:g}")
        at = self.clock()
        now, until = timestamp(at), timestamp(at + timedelta(seconds=for_s))
        with self.database.changing() as connection:
            lock_station(connection, name)
            self._end_old(connection, now)
            there = claim_of(connection, name, now)
            if there is None:
                row = {"station": name, "who": who, "owner": owner, "because": because, "since": now}
                connection.execute(sa.insert(r.claims).values({**row, "until": until}))
            elif (there.who, there.owner) != (who, owner):
                raise StationClaimed(there.words)
            else:
                mine = r.claims.c.id == there.id
                connection.execute(sa.update(r.claims).where(mine).values(until=until, because=because))
            made = claim_of(connection, name, now)
        assert made is not None
        return made

    def give_back(self, station: str, who: str) -> Claim:
        """The bench is free again. NotFound when nobody is there."""
        now = timestamp(self.clock())
        with self.database.changing() as connection:
            lock_station(connection, station)
            there = claim_of(connection, station, now)
            if there is None:
                raise NotFound(f"nobody is at {station[:80]}")
            values = {"ended_at": now, "ended_because": f"given back by {who}"[:200]}
            connection.execute(sa.update(r.claims).where(r.claims.c.id == there.id).values(values))
            return _claim(connection.execute(sa.select(r.claims).where(r.claims.c.id == there.id)).one())

    def of(self, station: str) -> Claim | None:
        """Who is there now."""
        with self.database.reading() as connection:
            return claim_of(connection, station, timestamp(self.clock()))

    def all(self) -> dict[str, Claim]:
        """Claims that count now, by station."""
        with self.database.reading() as connection:
            return open_claims(connection, timestamp(self.clock()))

    def history(self, station: str) -> list[Claim]:
        """All claims that there were, newest first."""
        query = sa.select(r.claims).where(r.claims.c.station == station).order_by(r.claims.c.id.desc())
        with self.database.reading() as connection:
            return [_claim(row) for row in connection.execute(query)]

    def at_work(self, claim: Claim) -> list[Run]:
        """Runs at work there that the claimer did not ask for: until they are gone, hands off."""
        query = sa.select(t.runs).where(t.runs.c.station == claim.station, t.runs.c.state.in_(AT_WORK))
        with self.database.reading() as connection:
            return [run for run in runs_of(connection, query) if not claim.allows(run) and _moves(run)]

    def end_old(self) -> list[str]:
        """Write down which claims ran out; their stations."""
        now = timestamp(self.clock())
        old = r.claims.c.ended_at.is_(None) & (r.claims.c.until <= now)
        with self.database.reading() as connection:
            stations = list(connection.execute(sa.select(r.claims.c.station).where(old)).scalars())
        if stations:
            with self.database.changing() as connection:
                self._end_old(connection, now)
        return stations

    def _end_old(self, connection: sa.Connection, now: str) -> None:
        old = r.claims.c.ended_at.is_(None) & (r.claims.c.until <= now)
        values = {"ended_at": r.claims.c.until, "ended_because": EXPIRED}
        connection.execute(sa.update(r.claims).where(old).values(values))


def require_unclaimed(connection: sa.Connection, run: Run, now: str) -> None:
    """In the transaction in which the run comes to work. StationClaimed: somebody else is at the bench."""
    lock_station(connection, run.station)
    claim = claim_of(connection, run.station, now)
    if claim is not None and not claim.allows(run):
        raise StationClaimed(claim.words)


def claim_of(connection: sa.Connection, station: str, now: str) -> Claim | None:
    """The claim on the station that counts at that time."""
    return open_claims(connection, now, r.claims.c.station == station).get(station)


def open_claims(connection: sa.Connection, now: str, *wanted: sa.ColumnElement[bool]) -> dict[str, Claim]:
    """Claims that count at that time, by station."""
    query = sa.select(r.claims).where(r.claims.c.ended_at.is_(None), r.claims.c.until > now, *wanted)
    return {row.station: _claim(row) for row in connection.execute(query)}


def lock_station(connection: sa.Connection, station: str) -> None:
    """Until the end of the transaction nobody else claims the station or begins to work there."""
    lock_named(connection, f"station {station}")


def person_here() -> str:
    """What runs and claims of commands are marked with: who works at this computer."""
    try:
        return f"user:{getpass.getuser()}"
    except (KeyError, OSError):  # a user id without a name
        return f"user:{os.getuid() if hasattr(os, 'getuid') else ''}"


def _moves(run: Run) -> bool:
    """A run that only waits for a person's answer leaves the bench alone; one that watches does not."""
    waits = run.state == "waiting" and not (run.waiting_for or {}).get("watching")
    return not waits


def remaining_s(claim: Claim, clock: Clock) -> float:
    """How long the claim still counts."""
    return max((moment_of(claim.until, "until") - clock()).total_seconds(), 0.0)


def _claim(row: sa.Row[Any]) -> Claim:
    return Claim(**dict(row._mapping))
