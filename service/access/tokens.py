"""Tokens and sessions: made, found, listed, revoked. Only SHA-256 hashes are kept.

A secret has 256 random bits. Slow, salted hashes make guessing of words that people choose dear; among 2^256
equally likely values there is nothing to guess, so a plain hash is as safe, and costs microseconds a request.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import sqlalchemy as sa

from service.access.caller import Caller
from service.access.roles import ROLES
from service.access_tables import tokens
from service.database import Database
from service.errors import BadInput, NotAllowed, NotFound
from service.run_record import Clock, timestamp, utc_now

PREFIX = "bwt_"
"""So that people, logs and scanners for leaked secrets know one when they see it."""
SECRET = re.compile(r"bwt_[A-Za-z0-9_-]{43}")
SESSION_HOURS = 12.0
LONGEST_NAME = 80


@dataclass(frozen=True)
class Token:
    """What is known of a token; its secret is not."""

    id: str
    kind: str
    parent: str | None
    name: str
    role: str
    stations: tuple[str, ...] | None
    made_at: str
    made_by: str
    expires_at: str | None
    revoked_at: str | None
    used_on: str | None

    def why_dead(self, now: str) -> str | None:
        """None while it lives."""
        if self.revoked_at is not None:
            return f"was revoked at {self.revoked_at}"
        if self.expires_at is not None and self.expires_at <= now:
            return f"expired at {self.expires_at}"
        return None

    @property
    def caller(self) -> Caller:
        return Caller(
            id=self.id,
            name=self.name,
            role=self.role,
            stations=self.stations,
            owner=self.parent or self.id,
            by_cookie=self.kind == "session",
        )


@dataclass(frozen=True)
class Tokens:
    """The tokens of one database."""

    database: Database
    clock: Clock = utc_now

    def make(
        self,
        name: str,
        role: str,
        *,
        stations: Sequence[str] | None = None,
        days: float | None = None,
        by: str,
    ) -> tuple[Token, str]:
        """A new token and its secret, which is told this once only. BadInput."""
        _check(name, role, stations, days)
        until = timestamp(self.clock() + timedelta(days=days)) if days is not None else None
        reach = tuple(stations) if stations is not None else None
        return self._keep("token", None, name.strip(), role, reach, until, by)

    def open_session(self, of: Token | None, by: str, *, hours: float = SESSION_HOURS) -> tuple[Token, str]:
        """A session with the rights of a token, never longer than it; without one an admin's."""
        until = timestamp(self.clock() + timedelta(hours=hours))
        if of is None:
            return self._keep("session", None, "the one-time link", "admin", None, until, by)
        if of.kind != "token":
            raise NotAllowed("a session is made with a token, not with another session")
        until = min(until, of.expires_at or until)
        return self._keep("session", of.id, of.name, of.role, of.stations, until, by)

    def find(self, secret: str) -> Token | None:
        """The token of that secret, dead or alive; None when there is none.

        The row is looked for by the hash, whose bytes nobody can choose, and then compared in constant time.
        """
        hashed = sha256_of(secret)
        row = self._one(tokens.c.sha256 == hashed)
        return _token(row) if row is not None and hmac.compare_digest(row.sha256, hashed) else None

    def living_parent(self, token: Token) -> bool:
        """Whether the token that a session was made from still lives."""
        if token.parent is None:
            return True
        row = self._one(tokens.c.id == token.parent)
        return row is not None and _token(row).why_dead(self.now) is None

    def mark_used(self, token: Token) -> None:
        """Note the day; written once a day at most."""
        today = self.now[:10]
        if token.used_on != today:
            with self.database.changing() as connection:
                connection.execute(sa.update(tokens).where(tokens.c.id == token.id).values(used_on=today))

    def all(self, kind: str = "token") -> list[Token]:
        """Every token that was ever made, the newest last."""
        query = sa.select(tokens).where(tokens.c.kind == kind).order_by(tokens.c.made_at, tokens.c.id)
        with self.database.reading() as connection:
            return [_token(row) for row in connection.execute(query)]

    def alive(self) -> list[Token]:
        """Those that open the door now."""
        return [token for token in self.all() if token.why_dead(self.now) is None]

    def ever(self) -> bool:
        """Whether there was ever a token or session: from then on the door stays shut to everybody else."""
        with self.database.reading() as connection:
            return connection.execute(sa.select(tokens.c.id).limit(1)).first() is not None

    def revoke(self, token_id: str) -> Token:
        """The token opens nothing any more, nor do its sessions; it stays in the list. NotFound."""
        row = self._one(tokens.c.id == token_id)
        if row is None:
            raise NotFound(f"no token with the id {token_id[:80]!r}; the list shows those that there are")
        with self.database.changing() as connection:
            one = (tokens.c.id == token_id) | (tokens.c.parent == token_id)
            connection.execute(
                sa.update(tokens).where(one, tokens.c.revoked_at.is_(None)).values(revoked_at=self.now)
            )
        revoked = self._one(tokens.c.id == token_id)
        assert revoked is not None
        return _token(revoked)

    @property
    def now(self) -> str:
        return timestamp(self.clock())

    def _keep(
        self,
        kind: str,
        parent: str | None,
        name: str,
        role: str,
        stations: tuple[str, ...] | None,
        expires_at: str | None,
        by: str,
    ) -> tuple[Token, str]:
        secret = PREFIX + secrets.token_urlsafe(32)
        made_id = secrets.token_hex(4)
        token = Token(made_id, kind, parent, name, role, stations, self.now, by, expires_at, None, None)
        row = {**vars(token), "stations": list(stations) if stations is not None else None}
        with self.database.changing() as connection:
            connection.execute(sa.insert(tokens).values(**row, sha256=sha256_of(secret)))
        return token, secret

    def _one(self, which: sa.ColumnElement[bool]) -> sa.Row[Any] | None:
        with self.database.reading() as connection:
            return connection.execute(sa.select(tokens).where(which)).first()


def sha256_of(secret: str) -> str:
    """What is kept of a secret."""
    return hashlib.sha256(secret.encode("utf-8", "surrogateescape")).hexdigest()


def _token(row: sa.Row[Any]) -> Token:
    values = {name: getattr(row, name) for name in Token.__dataclass_fields__}
    return Token(**{**values, "stations": None if row.stations is None else tuple(row.stations)})


def _check(name: str, role: str, stations: Sequence[str] | None, days: float | None) -> None:
    if not 1 <= len(name.strip()) <= LONGEST_NAME or not name.isprintable():
        raise BadInput(
            f"a token needs a name of 1 to {LONGEST_NAME} printable characters, got {name[:100]!r}"
        )
    if SECRET.search(name):
        raise BadInput("the name of a token is shown to others: it must not hold a secret")
    if role not in ROLES:
        raise BadInput(f"no role {role[:40]!r}; there are {', '.join(ROLES)}")
    if stations is not None and (not stations or not all(s.strip() for s in stations)):
        raise BadInput("stations are names or patterns such as north-*; leave them out for all")
    if stations is not None and role == "admin":
        raise BadInput("an admin makes tokens for all stations and so is for all of them: leave stations out")
    if days is not None and not 0 < days <= 3650:
        raise BadInput(f"a token lives more than 0 and at most 3650 days, got {days:g}")
