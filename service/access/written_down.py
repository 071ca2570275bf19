"""A change that a command makes, and its row of the audit in the same transaction: both or neither."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager

import sqlalchemy as sa

from service.access.audit import Audit
from service.access.command import made_by
from service.database import Database
from service.run_record import Clock, utc_now


class WrittenDown(Database):
    """The same database, whose first transaction that is not undone ends with a row about the command."""

    def __init__(
        self,
        database: Database,
        what: str,
        subject: str,
        details: Mapping[str, str | None],
        clock: Clock = utc_now,
    ) -> None:
        """`what` is the command in words; details without a value are left out."""
        super().__init__(database.url)
        self._database = database
        self._what, self._subject = what, subject
        self._details = {name: text for name, text in details.items() if text}
        self._audit = Audit(database, clock)
        self._written = False

    @property
    def engine(self) -> sa.Engine:
        return self._database.engine

    @contextmanager
    def changing(self) -> Iterator[sa.Connection]:
        """See Database.changing."""
        with self._database.changing() as connection:
            yield connection
            if not self._written:
                self._audit.add_within(
                    connection, made_by(), self._what, self._subject, "", "done", self._details
                )
        self._written = True

    def close(self) -> None:
        self._database.close()
