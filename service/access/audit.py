"""The record of every change: who, what, when, from where, with what outcome. Rows are only ever added.

Each row's SHA-256 covers the row and the hash of the one before: a byte that was changed, a row that was
taken out or put in breaks the chain there. Rows cut off at the end leave a whole chain: that is why
`Verified.head` is worth writing down elsewhere from time to time, and can be held against the chain later.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any

import sqlalchemy as sa

from service.access_tables import audit
from service.database import Database
from service.errors import StoreFailed
from service.run_record import Clock, timestamp, utc_now

BEGINNING = "0" * 64
CHAIN_LOCK = 7_166_202
"""PostgreSQL: held while a row is added, so that two are never both the next one."""
LONGEST = 500
"""Characters of a text that somebody else chose."""


@dataclass(frozen=True)
class Entry:
    """One row."""

    number: int
    at: str
    who: str
    what: str
    subject: str
    address: str
    outcome: str
    details: str
    """More facts as JSON, kept as text: each byte of it is under the hash."""
    previous: str

    @property
    def sha256(self) -> str:
        """Over everything, as JSON of one spelling."""
        return hashlib.sha256(_json(asdict(self)).encode()).hexdigest()


@dataclass(frozen=True)
class Verified:
    """What a look at the whole chain found."""

    rows: int
    head: str
    """Hash of the newest row."""
    broken_at: int | None = None
    """Number of the first row that does not fit; None: the chain is whole."""
    because: str = ""


@dataclass(frozen=True)
class Audit:
    """The audit of one database."""

    database: Database
    clock: Clock = utc_now

    def add(
        self, who: str, what: str, subject: str, *, address: str = "", outcome: str = "done", **details: str
    ) -> Entry:
        """One row more; it is there when this returns. DatabaseAway, StoreFailed."""
        with self.database.changing() as connection:
            return self.add_within(connection, who, what, subject, address, outcome, details)

    def add_within(
        self,
        connection: sa.Connection,
        who: str,
        what: str,
        subject: str,
        address: str,
        outcome: str,
        details: Mapping[str, str],
    ) -> Entry:
        """The same inside a transaction of the caller's: the change and its row, or neither."""
        if connection.dialect.name == "postgresql":
            connection.execute(sa.text(f"SELECT pg_advisory_xact_lock({CHAIN_LOCK})"))
        last = connection.execute(
            sa.select(audit.c.number, audit.c.sha256).order_by(audit.c.number.desc()).limit(1)
        ).first()
        entry = Entry(
            number=last.number + 1 if last else 1,
            at=timestamp(self.clock()),
            who=_fit(who),
            what=_fit(what),
            subject=_fit(subject),
            address=_fit(address),
            outcome=_fit(outcome),
            details=_json({name: _fit(text) for name, text in details.items()}),
            previous=last.sha256 if last else BEGINNING,
        )
        connection.execute(sa.insert(audit).values(**asdict(entry), sha256=entry.sha256))
        return entry

    def page(self, before: int | None, limit: int, who: str | None = None) -> tuple[list[Entry], bool]:
        """At most `limit` rows below number `before`, newest first, and whether there are more."""
        query = sa.select(audit).order_by(audit.c.number.desc()).limit(limit + 1)
        if before is not None:
            query = query.where(audit.c.number < before)
        if who is not None:
            query = query.where(audit.c.who == who)
        with self.database.reading() as connection:
            found = [_entry(row) for row in connection.execute(query)]
        return found[:limit], len(found) > limit

    def verify(self, head: str | None = None) -> Verified:
        """Walk the chain from its beginning; `head`: a hash that was written down and must still be in it."""
        previous, count, seen = BEGINNING, 0, head is None
        try:
            for entry, sha256 in self._rows():
                count += 1
                fault = _fault(entry, sha256, count, previous)
                if fault:
                    return Verified(count, previous, count, fault)
                previous, seen = sha256, seen or sha256 == head
        except (StoreFailed, sa.exc.DBAPIError, UnicodeDecodeError) as error:
            return Verified(
                count, previous, count + 1, f"a row from {count + 1} on cannot be read any more: {error}"
            )
        if not seen:
            return Verified(
                count, previous, count, f"no row has the hash {str(head)[:64]}: rows were cut off"
            )
        return Verified(count, previous)

    def _rows(self) -> Iterator[tuple[Entry, str]]:
        with self.database.reading() as connection:
            for row in connection.execute(sa.select(audit).order_by(audit.c.number)).yield_per(500):
                yield _entry(row), row.sha256


def _entry(row: sa.Row[Any]) -> Entry:
    return Entry(**{name: getattr(row, name) for name in Entry.__dataclass_fields__})


def _fault(entry: Entry, sha256: str, number: int, previous: str) -> str:
    if entry.number != number:
        return f"row {number} is missing: the next one is number {entry.number}"
    if entry.previous != previous:
        return f"row {number} does not follow the row before it"
    if entry.sha256 != sha256:
        return f"row {number} was changed after it was written"
    return ""


def _json(values: Mapping[str, Any]) -> str:
    """One spelling. What is no text any more where text was shows as such, it was changed."""
    return json.dumps(values, sort_keys=True, ensure_ascii=True, separators=(",", ":"), default=repr)


def _fit(text: str) -> str:
    """What may stand in a row: no NUL (PostgreSQL takes none), no half characters, not too long."""
    whole = text.encode("utf-8", "replace").decode().replace("\0", "\ufffd")
    return whole if len(whole) <= LONGEST else whole[: LONGEST - 1] + "…"
