"""What each run met at its scope and how it left it, in the database: so that the next one, of whatever kind,
knows whether the scope was off or touched in between.

A scope is known by its address and by who answers there: another one at the same place is met for the first
time. All is written down as soon as it is seen: a scope says only once that it was switched on, and neither
a cancelled run nor one whose program dies may lose that.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa

from service import tables as t
from service.hooks import Met, Since
from service.panel import changed
from service.transactions import Transactions


class Visits:
    """Of all runs. What its methods raise: DatabaseAway."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def met(self, run_id: str, met: Met, at: str) -> None:
        """A run opened the scope, perhaps once more; how it was found the first time is what counts."""

        def work(connection: sa.Connection) -> bool:
            before = _visit(connection, run_id)
            if before is None:
                since = since_last(_last(connection, met.scope), met)
                values: dict[str, Any] = {"switched_on": since.switched_on, "changed": since.changed}
                values |= {"met_at": at, "owed": None if met.owed is None else dict(met.owed)}
                connection.execute(
                    sa.insert(t.visits).values(
                        run_id=run_id, scope=met.scope, at=at, unusual=list(met.unusual), **values
                    )
                )
            else:
                owed = met.owed if before.owed is None else before.owed
                _note(connection, before, at, switched_on=met.switched_on, left_as=None, owed=owed)
            return True

        self._transactions.change(
            f"what run {run_id} met", work, done_before=lambda c: _done_at(c, run_id, at)
        )

    def left(
        self, run_id: str, panel: Mapping[str, Any] | None, at: str, *, switched_on: bool = False
    ) -> None:
        """The run let go of the scope; `panel`: how its settings were then, None when nobody knows.

        `switched_on`: it was off and on while it was open.
        """

        def work(connection: sa.Connection) -> bool:
            before = _visit(connection, run_id)
            if before is not None:
                owed = before.owed if panel is None else None  # all that could be was put back
                _note(connection, before, at, switched_on=switched_on, left_as=panel, owed=owed)
            return True

        self._transactions.change(f"how run {run_id} left its scope", work)

    def seen_on(self, scope: str, at: str) -> None:
        """The scope said, to somebody who does no run, that it was switched on: for the last run at it."""

        def work(connection: sa.Connection) -> bool:
            before = _last(connection, scope)
            if before is not None:
                _note(connection, before, at, switched_on=True, left_as=None, owed=before.owed)
            return True

        self._transactions.change(f"that {scope} was switched on", work)

    def owed(self, run_id: str) -> Mapping[str, str | None] | None:
        """What the run had found and did not put back: it never let go of the scope."""
        row = self._transactions.ask(lambda connection: _visit(connection, run_id))
        return None if row is None else row.owed

    def since(self, run_id: str) -> Since:
        """What happened to the run's scope since the last run was at it; nothing while it was not met."""
        row = self._transactions.ask(lambda connection: _visit(connection, run_id))
        if row is None:
            return Since()
        return Since(row.switched_on, None if row.changed is None else tuple(row.changed), tuple(row.unusual))


def since_last(before: sa.Row[Any] | None, met: Met) -> Since:
    """`before`: the last visit at the scope, None when nobody was there yet."""
    if before is None:
        return Since(unusual=tuple(met.unusual))
    known = before.left_as is not None and met.panel is not None
    differs = tuple(changed(before.left_as, met.panel or {})) if known else None
    return Since(met.switched_on, differs, tuple(met.unusual))


def _visit(connection: sa.Connection, run_id: str) -> sa.Row[Any] | None:
    return connection.execute(sa.select(t.visits).where(t.visits.c.run_id == run_id)).first()


def _last(connection: sa.Connection, scope: str) -> sa.Row[Any] | None:
    query = sa.select(t.visits).where(t.visits.c.scope == scope).order_by(t.visits.c.at.desc()).limit(1)
    return connection.execute(query).first()


def _done_at(connection: sa.Connection, run_id: str, at: str) -> bool | None:
    row = _visit(connection, run_id)
    return True if row is not None and row.at == at else None


def _note(
    connection: sa.Connection,
    before: sa.Row[Any],
    at: str,
    *,
    switched_on: bool,
    left_as: Mapping[str, Any] | None,
    owed: Mapping[str, str | None] | None,
) -> None:
    values: dict[str, Any] = {"at": at, "left_as": None if left_as is None else dict(left_as)}
    values |= {"owed": None if owed is None else dict(owed)}
    if switched_on and not before.switched_on:
        values |= {"switched_on": True, "met_at": at}
    connection.execute(sa.update(t.visits).where(t.visits.c.run_id == before.run_id).values(values))
