"""Repeated requests (draft-ietf-httpapi-idempotency-key-header): one key, one run, the same answer each time.

| case | answer |
|---|---|
| first time, or no key | a new run |
| repeat, whatever the run does by now | the same run |
| repeat while the first request is still being answered | StillWorking |
| the same key with another request | KeyReused |
| a key that is none | BadQuery |
The key is written before the run it names: after a crash in between, the repeat makes that very run.
Keys are in the database, so that any service on it gives the answer.
"""

from __future__ import annotations

import hashlib
import json
import re
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import insert as pg_insert
from sqlalchemy.dialects.sqlite import insert as sqlite_insert

from service import tables as t
from service.errors import BadQuery, KeyReused, StillWorking, UnknownRun
from service.run_record import Clock, Run, new_id, timestamp, utc_now
from service.store import RunStore

LONGEST_KEY = 255


@dataclass
class Repeats:
    """Keys are remembered for `hours`, across restarts."""

    store: RunStore
    hours: float = 24.0
    clock: Clock = utc_now
    _answering: set[tuple[str, str]] = field(default_factory=set)
    _guard: threading.Lock = field(default_factory=threading.Lock)

    def answer(self, key: str, request: dict[str, Any], make: Callable[[str], Run], owner: str = "") -> Run:
        """The run that belongs to the key: `make(run_id)` the first time, the same one afterwards.

        Keys of different owners are different keys: nobody gets at a run by guessing somebody's key.

        Raises:
            StillWorking, KeyReused, StoreFailed; and whatever `make` raises: a repeat then tries again.
        """
        fingerprint = hashlib.sha256(json.dumps(request, sort_keys=True).encode()).hexdigest()
        with self._alone(key, owner):
            known = self._known_or_new(f"{owner} {key}" if owner else key, fingerprint)
            if known.fingerprint != fingerprint:
                raise KeyReused(f"Idempotency-Key {key!r} was used for another request at {known.created_at}")
            try:
                return self.store.read(known.run_id)
            except UnknownRun:
                return make(known.run_id)

    def forget_old(self) -> None:
        """Remove keys whose time is over; those of today are left alone."""
        with self.store.database.changing() as connection:
            connection.execute(sa.delete(t.keys).where(t.keys.c.created_at <= self._oldest()))

    @contextmanager
    def _alone(self, key: str, owner: str) -> Iterator[None]:
        with self._guard:
            if (owner, key) in self._answering:
                raise StillWorking(f"the first request with Idempotency-Key {key!r} is still being answered")
            self._answering.add((owner, key))
        try:
            yield
        finally:
            with self._guard:
                self._answering.discard((owner, key))

    def _oldest(self) -> str:
        return timestamp(self.clock() - timedelta(hours=self.hours))

    def _known_or_new(self, key: str, fingerprint: str) -> sa.Row[Any]:
        """What the key stands for; from now on it stands for this request when it stood for nothing."""
        hashed = hashlib.sha256(key.encode()).hexdigest()
        now = self.clock()
        row = {
            "hash": hashed,
            "fingerprint": fingerprint,
            "run_id": new_id(now),
            "created_at": timestamp(now),
        }
        mine = sa.select(t.keys).where(t.keys.c.hash == hashed)
        with self.store.database.changing() as connection:
            stale = sa.delete(t.keys).where(t.keys.c.hash == hashed, t.keys.c.created_at <= self._oldest())
            connection.execute(stale)
            insert = pg_insert if connection.dialect.name == "postgresql" else sqlite_insert
            connection.execute(insert(t.keys).values(row).on_conflict_do_nothing())
            return connection.execute(mine).one()


def key_of_header(text: str) -> str:
    """From a structured-field string (RFC 8941 3.3.3), `"8e03978e-..."`; without the quotes is taken too.

    Raises:
        BadQuery: empty, longer than 255, or not printable ASCII.
    """
    quoted = re.fullmatch(r'\s*"((?:[\x20\x21\x23-\x5b\x5d-\x7e]|\\["\\])*)"\s*', text)
    key = re.sub(r"\\(.)", r"\1", quoted.group(1)) if quoted else text.strip()
    if (
        not 1 <= len(key) <= LONGEST_KEY
        or not re.fullmatch(r"[\x20-\x7e]+", key)
        or (not quoted and '"' in key)
    ):
        raise BadQuery(
            f"Idempotency-Key {text[:60]!r} is not a string of 1 to {LONGEST_KEY} printable characters "
            "in double quotes"
        )
    return key
