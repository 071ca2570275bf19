"""Transactions that are tried again while the database does not answer, and errors of rows as ours."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from typing import TypeVar

import sqlalchemy as sa

from service.database import Database
from service.errors import DatabaseAway, StationTaken, StoreFailed

log = logging.getLogger(__name__)

T = TypeVar("T")
AGAIN_S = 0.5


class Transactions:
    """On one database, with the patience of whoever asks: a worker in the middle of a run has some."""

    def __init__(self, database: Database, patience_s: float = 0.0) -> None:
        self._database = database
        self._patience_s = patience_s

    def ask(self, work: Callable[[sa.Connection], T]) -> T:
        """What `work` reads. DatabaseAway when the patience is over."""

        def attempt() -> T:
            with self._database.reading() as connection:
                return work(connection)

        return self._patiently(attempt)

    def change(
        self,
        what: str,
        work: Callable[[sa.Connection], T],
        *,
        done_before: Callable[[sa.Connection], T | None] = lambda _connection: None,
    ) -> T:
        """All that `work` does, or nothing of it.

        `done_before` is asked when it is tried again: the answer may have got lost, not the change.

        Raises:
            DatabaseAway: the patience is over.
            StoreFailed: `what` exists already, or the disk refused.
            StationTaken: another run of the service is at work on the station.
        """
        again = False

        def attempt() -> T:
            nonlocal again
            with self._database.changing() as connection:
                known = done_before(connection) if again else None
                again = True
                return work(connection) if known is None else known

        try:
            return self._patiently(attempt)
        except sa.exc.IntegrityError as error:
            if "uq_runs_one_at_work" in str(error.orig) or "runs.station" in str(error.orig):
                raise StationTaken(f"{what}: another run is at work on the station") from error
            raise StoreFailed(f"{what} exists already: {error.orig}") from error

    def _patiently(self, attempt: Callable[[], T]) -> T:
        end = time.monotonic() + self._patience_s
        while True:
            try:
                return attempt()
            except DatabaseAway as error:
                if time.monotonic() >= end:
                    raise
                log.warning("%s; trying again", error)
                time.sleep(AGAIN_S)
