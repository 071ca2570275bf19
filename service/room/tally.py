"""How a settled run counts: what came out of it, and how long it waited. Enough for statistics, and no more.

A run that is thrown away leaves that much behind, without an id, a station or a person.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from service import room_tables as r
from service import tables as t
from service.pipeline.decisions import BENCH, RECORD
from service.run_record import SETTLED, moment_of

PASS, FAIL, DOUBTFUL, VOID, CANCELLED = "pass", "fail", "doubtful", "void", "cancelled"
NOT_JUDGED = (BENCH, RECORD)
"""Causes that say that the bench or the record, not the device, kept a criterion from being decided."""
TESTS = ("echo-test", "grading")


@dataclass(frozen=True)
class Tally:
    """One settled run."""

    day: str
    """On which it was asked for, in UTC."""
    kind: str
    priority: str
    outcome: str
    """pass; fail; doubtful: within the guard band; void: could not be judged; cancelled."""
    waited_s: float | None
    """From being asked for to its beginning; None where nothing waits: a command, or it never began."""


def tallies(connection: sa.Connection, *wanted: sa.ColumnElement[bool]) -> list[Tally]:
    """Of the settled runs that are wanted, in the order in which they were asked for."""
    run = t.runs.c
    document = t.results.c.document
    columns = (run.kind, run.priority, run.state, run.verdict, run.origin, run.created_at, run.started_at)
    query = (
        sa.select(*columns, sa.case((run.verdict == "inconclusive", document["criteria"])).label("criteria"))
        .outerjoin(t.results, t.results.c.run_id == run.id)
        .where(run.state.in_(SETTLED), *wanted)
        .order_by(run.sequence)
    )
    return [
        Tally(
            day=row.created_at[:10],
            kind=row.kind,
            priority=row.priority,
            outcome=outcome_of(row.state, row.verdict, row.criteria or ()),
            waited_s=waited_s(row.origin, row.created_at, row.started_at),
        )
        for row in connection.execute(query)
    ]


def past_tallies(connection: sa.Connection, first: str, last: str) -> list[Tally]:
    """Of runs that were thrown away; days, both included."""
    p = r.past_runs.c
    query = sa.select(p.day, p.kind, p.priority, p.outcome, p.waited_s).where(p.day >= first, p.day <= last)
    return [Tally(**dict(row._mapping)) for row in connection.execute(query.order_by(p.id))]


def remember(connection: sa.Connection, some: Sequence[Tally]) -> None:
    """Keep what is left of runs that are thrown away in the same transaction."""
    if some:
        rows = [{name: getattr(one, name) for name in Tally.__dataclass_fields__} for one in some]
        connection.execute(sa.insert(r.past_runs), rows)


def outcome_of(state: str, verdict: str | None, criteria: Sequence[Mapping[str, Any]] = ()) -> str:
    """What a settled run counts as; a run that ended in an error judged nothing."""
    if state != "done":
        return CANCELLED if state == "cancelled" else VOID
    if verdict in (PASS, FAIL):
        return verdict
    undecided = [c for c in criteria if c.get("required", True) and c.get("verdict") == "inconclusive"]
    return VOID if not undecided or any(c.get("cause") in NOT_JUDGED for c in undecided) else DOUBTFUL


def waited_s(origin: str, created_at: str, started_at: str | None) -> float | None:
    """Seconds in the queue."""
    if origin != "service" or started_at is None:
        return None
    wait = moment_of(started_at, "started_at") - moment_of(created_at, "created_at")
    return max(wait.total_seconds(), 0.0)
