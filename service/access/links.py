"""Links that open the door once: printed where only the person who starts the service can read them."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import timedelta

import sqlalchemy as sa

from service.access.tokens import sha256_of
from service.access_tables import links
from service.database import Database
from service.errors import BadToken
from service.run_record import Clock, timestamp, utc_now

MINUTES = 10.0
"""For a person who has just started the service and reads its words."""


@dataclass(frozen=True)
class Links:
    """The one-time codes of one database; of them too only hashes are kept."""

    database: Database
    clock: Clock = utc_now

    def make(self) -> str:
        """A new code. Earlier ones that were not used lose their worth: one door at a time."""
        code = secrets.token_urlsafe(32)
        now = self.clock()
        row = {
            "sha256": sha256_of(code),
            "made_at": timestamp(now),
            "expires_at": timestamp(now + timedelta(minutes=MINUTES)),
        }
        with self.database.changing() as connection:
            connection.execute(sa.delete(links))
            connection.execute(sa.insert(links).values(row))
        return code

    def use(self, code: str) -> None:
        """From now on it opens nothing. Of several who try at the same moment one succeeds.

        Raises:
            BadToken: there is no such code, it was used, or its time is over.
        """
        now = timestamp(self.clock())
        mine = (links.c.sha256 == sha256_of(code)) & links.c.used_at.is_(None) & (links.c.expires_at > now)
        with self.database.changing() as connection:
            if connection.execute(sa.update(links).where(mine).values(used_at=now)).rowcount != 1:
                raise BadToken(
                    f"this link was used already, or is older than {MINUTES:g} minutes: start the service "
                    "again, or make a token with `benchwarden token make`"
                )
