"""What things there are, where each is and was, and what befell them.

Each change and its line in the log are one transaction. Whoever reads sees states as the last settled check
left them; `settle` looks for checks that came since.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from typing import Any

import sqlalchemy as sa

from service import room_tables as r
from service import tables as t
from service.database import Database
from service.errors import BadInput, Conflict
from service.room.item_rows import (
    in_place,
    placement_of,
    proof_of,
    read_item,
    read_items,
    read_or_none,
    update_item,
)
from service.room.items import (
    IN_USE,
    ITEM_ID,
    ITEM_KINDS,
    PRACTICE_ONLY,
    STATES,
    Entry,
    Item,
    Placement,
    checked_text,
    due_since,
    moved_to,
    place_for,
)
from service.run_record import Clock, timestamp, utc_now
from service.stations import Station, station_named

CHECK = "station check"
"""Who noticed it, where no person did."""


@dataclass(frozen=True)
class Inventory:
    """All things of the lab. Threads and processes may share it."""

    database: Database
    stations: Sequence[Station]
    clock: Clock = utc_now

    def add(self, item_id: str, kind: str, label: str, who: str, identity: str | None = None) -> Item:
        """A new thing: for practice only, until a check has passed with it.

        Raises:
            BadInput: no name, or no such kind. Conflict: there is one of that name.
        """
        if not ITEM_ID.fullmatch(item_id):
            raise BadInput(f"{item_id[:80]!r} is no name: letters, digits, '.', '_' and '-', at most 64")
        if kind not in ITEM_KINDS:
            raise BadInput(f"kind {kind!r} is none, there are {', '.join(ITEM_KINDS)}")
        now = timestamp(self.clock())
        item = Item(item_id, kind, label.strip()[:200], identity or None, PRACTICE_ONLY, now, True, now)
        with self._changing() as connection:
            if read_or_none(connection, item_id) is not None:
                raise Conflict(f"there is {item_id} already")
            row = {name: value for name, value in asdict(item).items() if name != "placement"}
            connection.execute(sa.insert(r.items).values(row))
            self._note(connection, item_id, who, "made", f"{kind} {item_id}")
        return self.one(item_id)

    def place(self, item_id: str, station: str, who: str, line: str | None = None) -> Item:
        """Put it there; what was in its place is taken away.

        Raises:
            NotFound, UnknownStation, BadInput.
        """
        at = station_named(self.stations, station)
        with self._changing() as connection:
            item = read_item(connection, item_id)
            self._put(connection, item, at, place_for(item.kind, line), who, timestamp(self.clock()))
        return self.one(item_id)

    def take_away(self, item_id: str, who: str) -> Item:
        """It is on no station from now on. NotFound."""
        with self.database.changing() as connection:
            self._end(connection, read_item(connection, item_id), who, timestamp(self.clock()), "")
        return self.one(item_id)

    def set_state(self, item_id: str, wanted: str, who: str, because: str) -> Item:
        """What it may be used for; `in-use` comes true with the next check that passes.

        Raises:
            NotFound, BadInput.
        """
        because = checked_text(because, "a reason")
        now = timestamp(self.clock())
        with self.database.changing() as connection:
            item = read_item(connection, item_id)
            after = moved_to(item, wanted, now)
            update_item(connection, after)
            details = {"from": item.state, "to": after.state, "asked": wanted}
            self._note(connection, item_id, who, "state", because, details)
        return self.one(item_id)

    def note(self, item_id: str, text: str, who: str) -> Item:
        """A person's words about it. NotFound, BadInput."""
        text = checked_text(text, "a note")
        with self.database.changing() as connection:
            read_item(connection, item_id)
            self._note(connection, item_id, who, "note", text)
        return self.one(item_id)

    def one(self, item_id: str) -> Item:
        """NotFound."""
        with self.database.reading() as connection:
            return read_item(connection, item_id)

    def all(
        self, *, kind: str | None = None, state: str | None = None, station: str | None = None
    ) -> list[Item]:
        """By name; with a station, those that are there now. BadInput for a word that is none."""
        for what, word, known in (("kind", kind, ITEM_KINDS), ("state", state, STATES)):
            if word is not None and word not in known:
                raise BadInput(f"{what} {word!r} is none, there are {', '.join(known)}")
        with self.database.reading() as connection:
            found = read_items(connection)
        wanted = (("kind", kind), ("state", state))
        found = [i for i in found if all(v is None or getattr(i, n) == v for n, v in wanted)]
        return [i for i in found if station is None or (i.placement and i.placement.station == station)]

    def log_of(self, item_id: str) -> list[Entry]:
        """Newest first. NotFound."""
        query = sa.select(r.item_log).where(r.item_log.c.item == item_id).order_by(r.item_log.c.id.desc())
        with self.database.reading() as connection:
            read_item(connection, item_id)
            rows = connection.execute(query).all()
        return [Entry(row.at, row.who, row.what, row.text, row.details) for row in rows]

    def placements(self, *, item: str | None = None, station: str | None = None) -> list[Placement]:
        """Where things are and were, oldest first."""
        wanted = [r.placements.c.item == item] if item is not None else []
        wanted += [r.placements.c.station == station] if station is not None else []
        query = sa.select(r.placements).where(*wanted).order_by(r.placements.c.since, r.placements.c.id)
        with self.database.reading() as connection:
            return [placement_of(row) for row in connection.execute(query)]

    def settle(self) -> list[str]:
        """Take note of checks that have passed; the ids of things that are in use again by them."""
        with self.database.reading() as connection:
            waiting = [item for item in read_items(connection) if due_since(item) is not None]
            proofs = [(item, run) for item in waiting if (run := proof_of(connection, item)) is not None]
        return [item.id for item, run in proofs if self._prove(item, run)]

    def scope_answered(self, station: str, serial: str, run_id: str, at: str) -> str | None:
        """A check heard a scope of that serial number there at that time; a sentence when it was another.

        A known scope is written down as being there now; the number of one that never told it is kept.
        """
        with self.database.changing() as connection:
            scopes = [i for i in read_items(connection) if i.kind == "scope"]
            there = next((i for i in scopes if i.placement and i.placement.station == station), None)
            known = next((i for i in scopes if i.identity == serial), None)
            if there == known:  # both None: no scope is in the inventory
                return None
            if there is not None and there.placement is not None and there.placement.since > at:
                return None  # a person has put another one there since
            details = {"serial": serial, "run": run_id}
            if known is not None:
                place = station_named(self.stations, station)
                self._put(connection, known, place, "scope", CHECK, at, details)
                return f"scope {known.id} answers at {station}" + (f", not {there.id}" if there else "")
            assert there is not None
            if there.identity is None:
                update_item(connection, replace(there, identity=serial))
                self._note(connection, there.id, CHECK, "identity", f"serial number {serial}", details)
                return None
            sentence = f"a scope with serial number {serial} answers at {station}; it is in no inventory"
            self._note(connection, there.id, CHECK, "identity", sentence, details)
            return sentence

    @contextmanager
    def _changing(self) -> Iterator[sa.Connection]:
        """What the database refuses was done by somebody else in the same moment."""
        try:
            with self.database.changing() as connection:
                yield connection
        except sa.exc.IntegrityError as error:
            raise Conflict("somebody else changed the inventory in this very moment: look again") from error

    def notice_scopes(self, seen: dict[str, str]) -> list[str]:
        """Hold what answered in new checks against the inventory; sentences about what was not as expected.

        `seen`: the newest check of each station that was looked at before; kept up to date.
        """
        runs = t.runs.c
        of_checks = sa.select(sa.func.max(runs.id)).where(runs.kind == "check", runs.state == "done")
        query = (
            sa.select(runs.id, runs.station, runs.started_at, t.results.c.document)
            .join(t.results, t.results.c.run_id == runs.id)
            .where(runs.id.in_(of_checks.group_by(runs.station)), runs.id.not_in(list(seen.values())))
        )
        with self.database.reading() as connection:
            fresh = connection.execute(query).all()
        told = []
        for row in fresh:
            seen[row.station] = row.id
            serial = (row.document.get("instrument") or {}).get("serial")
            if serial and row.station in {station.name for station in self.stations}:
                told.append(self.scope_answered(row.station, str(serial)[:200], row.id, row.started_at))
        return [sentence for sentence in told if sentence]

    def _prove(self, item: Item, run_id: str) -> bool:
        """False when somebody changed the item meanwhile."""
        now = timestamp(self.clock())
        seen = (r.items.c.id == item.id) & (r.items.c.state_since == item.state_since)
        still = seen & (r.items.c.state == item.state) & r.items.c.awaits_check
        changes = {"state": IN_USE, "state_since": now, "awaits_check": False}
        with self.database.changing() as connection:
            if connection.execute(sa.update(r.items).where(still).values(changes)).rowcount == 0:
                return False
            details = {"from": item.state, "to": IN_USE, "run": run_id}
            self._note(connection, item.id, CHECK, "proved", f"check {run_id} passed", details)
        return True

    def _put(
        self,
        connection: sa.Connection,
        item: Item,
        station: Station,
        place: str,
        who: str,
        now: str,
        details: dict[str, Any] | None = None,
    ) -> None:
        now_at = item.placement
        if now_at is not None and (now_at.station, now_at.place) == (station.name, place):
            return
        self._end(connection, item, who, now, "")
        other = in_place(connection, station.name, place)
        if other is not None:
            self._end(connection, read_item(connection, other), who, now, f"{item.id} came in its place")
        channel = station.probes[place].channel if item.kind == "probe" else None
        row = {"item": item.id, "station": station.name, "place": place, "channel": channel}
        connection.execute(sa.insert(r.placements).values({**row, "since": now, "who": who}))
        words = f"on {station.name}" + (f", {place}" if item.kind == "probe" else "")
        self._note(connection, item.id, who, "placed", words, {**row, **(details or {})})

    def _end(self, connection: sa.Connection, item: Item, who: str, now: str, because: str) -> None:
        if item.placement is None:
            return
        mine = (r.placements.c.item == item.id) & r.placements.c.until.is_(None)
        connection.execute(sa.update(r.placements).where(mine).values(until=max(now, item.placement.since)))
        words = f"from {item.placement.station}" + (f": {because}" if because else "")
        self._note(connection, item.id, who, "taken-away", words, {"station": item.placement.station})

    def _note(
        self,
        connection: sa.Connection,
        item_id: str,
        who: str,
        what: str,
        text: str,
        details: dict[str, Any] | None = None,
    ) -> None:
        row = {"item": item_id, "at": timestamp(self.clock()), "who": who, "what": what, "text": text}
        connection.execute(sa.insert(r.item_log).values({**row, "details": details or {}}))
