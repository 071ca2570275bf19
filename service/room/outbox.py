"""What is to be sent is a row: tried again with growing pauses, sent, or given up with the reason.

Before an attempt the row is leased for longer than the attempt may take, so that no second process sends the
same at once, and a process that dies in the middle leaves it to the next. What was handed over in the very
moment of a crash is sent again with the same message id.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa

from service import room_tables as r
from service.database import Database
from service.room.morning_plan import MailTarget, MorningPlan, Target
from service.room.sending import NeverMind, TryLater
from service.run_record import Clock, moment_of, timestamp

log = logging.getLogger(__name__)

LEASE = timedelta(seconds=300)
"""Longer than any attempt: each waits for the other side 20 s at a time, and speaks few times."""
FIRST_PAUSE_S = 30.0
LONGEST_PAUSE_S = 3600.0
GIVE_UP = timedelta(hours=24)
"""The next morning has a summary of its own."""
WAITING, SENT, GIVEN_UP = "waiting", "sent", "given-up"

Send = Callable[[Target, str, Mapping[str, Any], datetime], str | None]


def send(target: Target, message_id: str, document: Mapping[str, Any], now: datetime) -> str | None:
    """Mail or webhook, whichever it is; their modules are loaded by the first. TryLater, NeverMind."""
    if isinstance(target, MailTarget):
        from service.room.mail import send_mail

        return send_mail(target, message_id, document)
    from service.room.webhook import send_webhook

    return send_webhook(target, message_id, document, now)


@dataclass(frozen=True)
class Outbox:
    """The deliveries of the mornings."""

    database: Database
    plan: MorningPlan | None
    clock: Clock
    send: Send = send

    def work(self) -> int:
        """Try everything that is due; how many were sent. DatabaseAway."""
        now = timestamp(self.clock())
        d = r.deliveries.c
        query = (
            sa.select(r.deliveries, r.mornings.c.document)
            .join(r.mornings, r.mornings.c.date == d.morning)
            .where(d.state == WAITING, d.next_at <= now)
            .order_by(d.id)
        )
        with self.database.reading() as connection:
            due = connection.execute(query).all()
        return sum(self._try(row) for row in due)

    def _try(self, row: Any) -> bool:
        if not self._lease(row):
            return False  # another process has it
        target = next((t for t in (self.plan.to if self.plan else ()) if _is(t, row)), None)
        if target is None:
            self._settle(row, GIVEN_UP, f"{row.target} stands in the stations file no longer")
            return False
        try:
            note = self.send(target, row.message_id, row.document, self.clock())
        except NeverMind as error:
            self._settle(row, GIVEN_UP, str(error))
            return False
        except TryLater as error:
            self._later(row, str(error))
            return False
        except Exception as error:
            log.exception("a mistake while sending to %s", row.target)
            self._later(row, f"a mistake in the program: {type(error).__name__}")
            return False
        self._settle(row, SENT, note)
        return True

    def _lease(self, row: Any) -> bool:
        d = r.deliveries.c
        mine = (d.id == row.id) & (d.state == WAITING) & (d.attempts == row.attempts)
        until = timestamp(self.clock() + LEASE)
        with self.database.changing() as connection:
            values = {"attempts": row.attempts + 1, "next_at": until}
            return connection.execute(sa.update(r.deliveries).where(mine).values(values)).rowcount == 1

    def _later(self, row: Any, reason: str) -> None:
        now = self.clock()
        if now - moment_of(row.made_at, "made_at") >= GIVE_UP:
            self._settle(row, GIVEN_UP, reason)
            return
        pause = min(FIRST_PAUSE_S * 2.0**row.attempts, LONGEST_PAUSE_S)
        log.warning("%s to %s was not sent, again in %g s: %s", row.message_id, row.target, pause, reason)
        self._write(row, next_at=timestamp(now + timedelta(seconds=pause)), last_error=reason)

    def _settle(self, row: Any, state: str, reason: str | None) -> None:
        if state == GIVEN_UP:
            log.error("%s to %s was given up: %s", row.message_id, row.target, reason)
        self._write(row, state=state, last_error=reason, settled_at=timestamp(self.clock()))

    def _write(self, row: Any, **values: Any) -> None:
        with self.database.changing() as connection:
            connection.execute(sa.update(r.deliveries).where(r.deliveries.c.id == row.id).values(**values))


def _is(target: Target, row: Any) -> bool:
    way = "mail" if isinstance(target, MailTarget) else "webhook"
    return (target.name, way) == (row.target, row.way)
