"""What stays when the time has come to throw away: the history of things, without files and without persons.

ISO/IEC 17025 wants the history of equipment, GDPR Art. 5(1)(e) wants persons forgotten (both from memory): so
an old check loses its captures, its report, its events and whoever asked for it, and keeps its numbers; any
other old run leaves a line that can be counted; and old names in the inventory's log become "somebody".
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import sqlalchemy as sa

from service import room_tables as r
from service import tables as t
from service.room.inventory import CHECK
from service.room.tally import remember, tallies
from service.run_record import Run

HISTORY = "the history of its station"
"""Why an old check is kept, thinned."""
SOMEBODY = "somebody"
OF_A_CHECK = (
    "schema",
    "station",
    "outcome",
    "verdict",
    "first_step",
    "next_steps",
    "checked_at",
    "valid_until",
    "causes",
    "only",
    "whole",
    "seconds",
    "instrument",
)
"""What stays of its document, with items and findings but without their evidence."""


def is_history(run: Run) -> bool:
    """Whether its numbers are part of a history; a check that measured nothing to its end is none."""
    return run.kind == "check" and run.state == "done"


def thin_out(connection: sa.Connection, run_ids: Sequence[str]) -> list[str]:
    """Take from old checks all but their numbers; which were thinned. One kept for more stays whole."""
    wanted = (t.runs.c.id.in_(run_ids), t.runs.c.kept_for.is_(None))
    nobody: dict[str, Any] = {"owner": None, "answers": [], "process": {}, "request": {}, "stop_reason": None}
    found = connection.execute(sa.select(t.runs.c.id).where(*wanted)).scalars().all()
    connection.execute(sa.update(t.runs).where(*wanted).values(kept_for=HISTORY, report=False, **nobody))
    for table in (t.captures, t.events):
        connection.execute(sa.delete(table).where(table.c.run_id.in_(found)))
    documents = sa.select(t.results.c.run_id, t.results.c.document).where(t.results.c.run_id.in_(found))
    for row in connection.execute(documents).all():
        mine = sa.update(t.results).where(t.results.c.run_id == row.run_id)
        connection.execute(mine.values(document=thin_document(row.document)))
    return list(found)


def thin_document(document: Mapping[str, Any]) -> dict[str, Any]:
    """Numbers, findings and what followed from them."""
    kept = {name: document[name] for name in OF_A_CHECK if name in document}
    for name in ("items", "findings"):
        kept[name] = [{**dict(one), "evidence": {}} for one in document.get(name, ())]
    return kept


def count_and_delete(connection: sa.Connection, run_ids: Sequence[str]) -> list[str]:
    """Throw runs away and leave what can be counted of them; which are gone. One kept for something stays."""
    wanted = (t.runs.c.id.in_(run_ids), t.runs.c.kept_for.is_(None))
    found = list(connection.execute(sa.select(t.runs.c.id).where(*wanted)).scalars())
    remember(connection, tallies(connection, t.runs.c.id.in_(found)))
    connection.execute(sa.delete(t.runs).where(t.runs.c.id.in_(found)))
    return found


def forget_names(connection: sa.Connection, before: str) -> int:
    """In what is older: persons become "somebody", and morning summaries, which name them, go. How many rows.

    Words that a person wrote stay: whoever writes names into notes and reasons keeps them there.
    """
    log, place, base = r.item_log.c, r.placements.c, r.baselines.c
    count = 0
    for table, old in ((r.item_log, log.at), (r.placements, place.since), (r.baselines, base.made_at)):
        named = table.c.who.not_in((SOMEBODY, CHECK))
        done = connection.execute(sa.update(table).where(old < before, named).values(who=SOMEBODY))
        count += done.rowcount
    claims = r.claims.c
    ended = (claims.ended_at < before, claims.who != SOMEBODY)
    nobody = {"who": SOMEBODY, "owner": None, "ended_because": "ended"}
    count += connection.execute(sa.update(r.claims).where(*ended).values(nobody)).rowcount
    mornings = sa.select(r.mornings.c.date).where(r.mornings.c.due_at < before)
    connection.execute(sa.delete(r.deliveries).where(r.deliveries.c.morning.in_(mornings)))
    return count + connection.execute(sa.delete(r.mornings).where(r.mornings.c.due_at < before)).rowcount
