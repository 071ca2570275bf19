"""What a check may know from earlier: the record of commissioning, what is usual, the clock."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from service import room_tables as room
from service import tables as t
from service.check.context import Context, Usual
from service.commissioning.record import read_record
from service.run_record import Clock
from service.stations import Station
from service.store import RunStore

RECORDS = "commissioning"
"""Folder of commissioning records in the data folder: STATION.json."""
FEWEST, MOST = 5, 30
"""Passed checks that say what is usual."""
MAD_TO_SIGMA = 1.4826
"""Median absolute deviation to standard deviation of a normal distribution."""


def context_for(station: Station, run_id: str, store: RunStore, clock: Clock) -> Context:
    """What is known of the station before run `run_id`.

    Raises:
        BadInput: the station's commissioning record cannot be read. DatabaseAway.
    """
    return Context(
        clock=clock,
        record=_record(station, store.folder),
        usual=lambda name: usual_of(store, station.name, name, before=run_id),
        newest_at=_newest(store, run_id),
    )


def usual_of(store: RunStore, station: str, name: str, *, before: str) -> Usual | None:
    """The baseline that somebody made; else the median of the newest checks that passed; None without."""
    made_of = room.baselines.c
    with store.database.reading() as connection:
        made = connection.execute(
            sa.select(made_of.centre, made_of.within, made_of.between, made_of.repeats)
            .where(made_of.station == station, made_of.name == name)
            .where(made_of.replaced_at.is_(None))
        ).first()
        if made is not None:
            return Usual(made.centre, float((made.within**2 + made.between**2) ** 0.5), made.repeats)
        columns = t.measurements.c
        values = connection.execute(
            sa.select(columns.value)
            .join(t.runs, t.runs.c.id == columns.run_id)
            .where(columns.station == station, columns.name == name, columns.verdict == "pass")
            .where(columns.value.is_not(None), t.runs.c.kind == "check", t.runs.c.verdict == "pass")
            .where(columns.run_id != before)
            .order_by(columns.at.desc())
            .limit(MOST)
        ).scalars()
        return _robust([float(v) for v in values if v is not None])


def _robust(values: Sequence[float]) -> Usual | None:
    if len(values) < FEWEST:
        return None
    centre = statistics.median(values)
    spread = MAD_TO_SIGMA * statistics.median(abs(v - centre) for v in values)
    return Usual(centre, spread, len(values))


def _record(station: Station, folder: Path) -> dict[str, Any] | None:
    if station.commissioned is not None:
        return read_record(Path(station.commissioned))
    kept = folder / RECORDS / f"{station.name}.json"
    return read_record(kept) if kept.exists() else None


def _newest(store: RunStore, run_id: str) -> str | None:
    """When anything else was last asked for or ended."""
    runs = t.runs.c
    with store.database.reading() as connection:
        asked, ended = connection.execute(
            sa.select(sa.func.max(runs.created_at), sa.func.max(runs.finished_at)).where(runs.id != run_id)
        ).one()
    return max((at for at in (asked, ended) if at), default=None)
