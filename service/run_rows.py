"""A run as rows: what store.py says to the database. Every function works inside its caller's transaction."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa

from service import tables as t
from service.errors import Superseded, UnknownRun
from service.run_record import RUN_ID, Run, timestamp

COLUMNS = tuple(f.name for f in fields(Run) if f.name != "captures")
"""What of a run stands in its own row."""


@dataclass(frozen=True)
class RunFilter:
    """None = any. `before` is the id after which (in the newest-first order) the listing starts."""

    station: str | None = None
    kind: str | None = None
    state: str | None = None
    verdict: str | None = None
    since: datetime | None = None
    before: str | None = None
    owner: str | None = None
    among: Sequence[str] | None = None
    """Stations that may be seen; None: all."""

    def clauses(self) -> list[sa.ColumnElement[bool]]:
        """For a WHERE."""
        wanted = {name: getattr(self, name) for name in ("station", "kind", "state", "verdict", "owner")}
        found: list[sa.ColumnElement[bool]] = [t.runs.c[k] == v for k, v in wanted.items() if v is not None]
        if self.among is not None:
            found.append(t.runs.c.station.in_(list(self.among)))
        if self.since is not None:
            # records hold milliseconds: a later microsecond must not let the one before it in
            found.append(t.runs.c.created_at >= timestamp(self.since + timedelta(microseconds=999)))
        if self.before is not None:
            found.append(t.runs.c.id < self.before)
        return found


ANY = RunFilter()


def read_run(connection: sa.Connection, run_id: str, *, job: int | None = None, lock: bool = False) -> Run:
    """The run; with `lock` nobody else changes it before this transaction ends.

    Raises:
        UnknownRun: there is none.
        Superseded: `job` is not the one that may change it.
    """
    run = read_or_none(connection, run_id, lock=lock)
    if run is None:
        raise UnknownRun(f"no run {run_id[:80]!r}")
    if job is not None and run.job != job:
        raise Superseded(f"run {run_id} was moved to another worker (job {run.job}); this is job {job}")
    return run


def read_or_none(connection: sa.Connection, run_id: str, *, lock: bool = False) -> Run | None:
    """None when there is none."""
    if not RUN_ID.fullmatch(run_id):
        return None
    query = sa.select(t.runs).where(t.runs.c.id == run_id)
    found = runs_of(connection, query.with_for_update() if lock else query)
    return found[0] if found else None


def runs_of(connection: sa.Connection, query: sa.Select[Any]) -> list[Run]:
    """The runs of a query for whole rows of `runs`, with the labels of their captures."""
    rows = [dict(row._mapping) for row in connection.execute(query)]
    labels: dict[str, list[str]] = {row["id"]: [] for row in rows}
    if rows:
        named = sa.select(t.captures.c.run_id, t.captures.c.label).where(t.captures.c.run_id.in_(labels))
        for row in connection.execute(named.order_by(t.captures.c.run_id, t.captures.c.position)):
            labels[row.run_id].append(row.label)
    return [
        replace(Run(**{**row, "answers": tuple(row["answers"])}), captures=tuple(labels[row["id"]]))
        for row in rows
    ]


def update_run(connection: sa.Connection, run_id: str, **values: Any) -> None:
    """Set columns of the run."""
    if "answers" in values:
        values["answers"] = list(values["answers"])
    connection.execute(sa.update(t.runs).where(t.runs.c.id == run_id).values(**values))


def captures_of(connection: sa.Connection, run_id: str) -> Sequence[sa.Row[Any]]:
    """Rows in the order in which the captures were taken."""
    query = sa.select(t.captures).where(t.captures.c.run_id == run_id)
    return connection.execute(query.order_by(t.captures.c.position)).all()


def append_event(connection: sa.Connection, run_id: str, event: Mapping[str, Any]) -> None:
    """One event more, with the next number. UnknownRun."""
    read_run(connection, run_id, lock=True)  # two that append at once must not take the same number
    last = sa.select(sa.func.max(t.events.c.number)).where(t.events.c.run_id == run_id)
    number = (connection.execute(last).scalar() or 0) + 1
    connection.execute(sa.insert(t.events).values(run_id=run_id, number=number, body=dict(event)))


def result_of(connection: sa.Connection, run_id: str) -> dict[str, Any] | None:
    """None while there is none."""
    found: dict[str, Any] | None = connection.execute(
        sa.select(t.results.c.document).where(t.results.c.run_id == run_id)
    ).scalar()
    return found


def rows_of_result(document: Mapping[str, Any]) -> dict[sa.Table, list[dict[str, Any]]]:
    """Findings and numbers of a result (or the items of a station check), each in a row of its own."""
    numbers = [*document.get("measurements", ()), *document.get("items", ())]
    return {
        t.findings: [{name: f.get(name) for name in FINDING} for f in document.get("findings", ())],
        t.measurements: [_measurement(number) for number in numbers],
    }


def _measurement(number: Mapping[str, Any]) -> dict[str, Any]:
    limit = number.get("limit") or {}
    limits = {"least": limit.get("min"), "greatest": limit.get("max")}
    return {**{name: number.get(name) for name in MEASUREMENT}, **limits}


FINDING = ("code", "side", "severity", "line", "message")
MEASUREMENT = ("name", "value", "u", "unit", "verdict", "subject")
