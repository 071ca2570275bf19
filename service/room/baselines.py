"""What is usual on a station: made from repeats, never from one shot, and replaced only with a reason.

Needs of this house, A6: ten or more checks, best on two days with the probes taken off and on between them.
The runs that a baseline rests on are kept for ever, and its points stand in it: nothing is overwritten.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import sqlalchemy as sa

from service import room_tables as r
from service import tables as t
from service.database import Database
from service.errors import Conflict
from service.pipeline.repeats import Scatter, scatter_of
from service.room.inventory import Inventory
from service.room.items import Placement, checked_text
from service.run_record import Clock, timestamp

FEWEST = 10
MOST = 200


@dataclass(frozen=True)
class Baseline:
    """What is usual of one number on one station."""

    station: str
    name: str
    unit: str
    centre: float
    within: float
    """Standard deviation of repeats without a touch."""
    between: float
    """Standard deviation that a new connection adds."""
    repeats: int
    points: tuple[dict[str, Any], ...]
    """`at`, `run`, `value`, `u`, `connection`, oldest first."""
    made_at: str
    who: str
    because: str
    replaced_at: str | None


@dataclass(frozen=True)
class Baselines:
    """All of them, those that were replaced too."""

    database: Database
    inventory: Inventory
    clock: Clock

    def make(self, station: str, who: str, because: str, since: str = "") -> list[Baseline]:
        """New ones of every number with enough repeats, from whole checks that passed since then.

        Without `since`: since the last baseline of the station was made, if there was one.

        Raises:
            BadInput: no reason. Conflict: too few checks have passed.
        """
        because = checked_text(because, "a reason")
        before = self.all(station)
        since = since or max((b.made_at for b in before), default="")
        points = self._points(station, since)
        runs = {point["run"] for of_name in points.values() for point in of_name}
        enough = {name: found for name, found in points.items() if len(found) >= FEWEST}
        if not enough:
            told = f" since {since}" if since else ""
            raise Conflict(
                f"a baseline of {station} needs {FEWEST} checks that passed{told}, there are {len(runs)}"
            )
        now = timestamp(self.clock())
        with self.database.changing() as connection:
            for name, found in sorted(enough.items()):
                self._write(connection, station, name, found, (now, who, because))
            kept = t.runs.c.id.in_(runs) & t.runs.c.kept_for.is_(None)
            connection.execute(sa.update(t.runs).where(kept).values(kept_for=f"baseline of {station}"))
        return [b for b in self.all(station) if b.made_at == now]

    def all(self, station: str, *, replaced: bool = False) -> list[Baseline]:
        """Those that count, by name; with `replaced` those before them too, newest first of each name."""
        query = sa.select(r.baselines).where(r.baselines.c.station == station)
        if not replaced:
            query = query.where(r.baselines.c.replaced_at.is_(None))
        with self.database.reading() as connection:
            rows = connection.execute(query.order_by(r.baselines.c.name, r.baselines.c.id.desc())).all()
        return [_baseline(row) for row in rows]

    def _points(self, station: str, since: str) -> dict[str, list[dict[str, Any]]]:
        """By name, oldest first, the newest MOST checks."""
        m, runs = t.measurements.c, t.runs.c
        query = (
            sa.select(m.name, m.at, m.run_id, m.value, m.u, m.unit, runs.started_at)
            .join(t.runs, runs.id == m.run_id)
            .where(m.station == station, m.value.is_not(None), runs.kind == "check", runs.state == "done")
            .where(runs.verdict == "pass", runs.started_at > since)
            .order_by(m.at.desc())
        )
        placements = self.inventory.placements(station=station)
        found: dict[str, list[dict[str, Any]]] = defaultdict(list)
        with self.database.reading() as connection:
            rows = connection.execute(query).all()
            repeats = _repeats(connection, {row.run_id for row in rows})
        for row in rows:
            point = {"at": row.at, "run": row.run_id, "value": row.value, "u": row.u, "unit": row.unit}
            point["connection"] = _connection(row.started_at, placements)
            # newest first, as the rows are
            found[row.name] += reversed(_repeated(point, repeats.get(row.run_id, {}).get(row.name)))
        return {name: points[:MOST][::-1] for name, points in found.items()}

    def _write(
        self,
        connection: sa.Connection,
        station: str,
        name: str,
        points: Sequence[dict[str, Any]],
        made: tuple[str, str, str],
    ) -> None:
        now, who, because = made
        mine = (r.baselines.c.station == station) & (r.baselines.c.name == name)
        current = mine & r.baselines.c.replaced_at.is_(None)
        connection.execute(sa.update(r.baselines).where(current).values(replaced_at=now))
        scatter = _scatter(points)
        row = {"station": station, "name": name, "unit": points[-1]["unit"] or ""}
        row |= {"centre": scatter.centre, "within": scatter.within, "between": scatter.between}
        row |= {"repeats": scatter.count, "made_at": now, "who": who, "because": because}
        kept = [{k: v for k, v in point.items() if k != "unit"} for point in points]
        connection.execute(sa.insert(r.baselines).values(**row, points=kept))


def _connection(at: str, placements: Sequence[Placement]) -> str:
    """Checks of one day with nothing moved between them are repeats of one connection."""
    moved = [
        moment for p in placements for moment in (p.since, p.until) if moment is not None and moment <= at
    ]
    return f"{at[:10]} {max(moved, default='')}".strip()


def _repeats(connection: sa.Connection, runs: Collection[str]) -> dict[str, dict[str, Any]]:
    """What the checks among them that were repeated (before term, or when asked) saw, by run and name."""
    query = sa.select(t.results.c.run_id, t.results.c.document).where(t.results.c.run_id.in_(runs))
    return {row.run_id: row.document.get("repeats") or {} for row in connection.execute(query)}


def _repeated(point: dict[str, Any], told: Mapping[str, Any] | None) -> list[dict[str, Any]]:
    """The point of a check, and behind it those of its repeats: each connection is one of its own."""
    if not told or len(told["values"]) < 2:
        return [point]
    numbers = told.get("connections") or [0] * len(told["values"])
    return [
        {**point, "value": value, "connection": f"{point['connection']} {point['run']} {number}"}
        for number, value in zip(numbers, told["values"], strict=True)
    ]


def _scatter(points: Sequence[dict[str, Any]]) -> Scatter:
    groups: dict[str, list[float]] = defaultdict(list)
    for point in points:
        groups[point["connection"]].append(point["value"])
    if all(len(values) < 2 for values in groups.values()):  # one check a day: no repeat without a new day
        groups = {"": [value for values in groups.values() for value in values]}
    return scatter_of([np.array(values) for values in groups.values()])


def _baseline(row: Any) -> Baseline:
    names = [name for name in Baseline.__dataclass_fields__ if name != "points"]
    return Baseline(**{name: getattr(row, name) for name in names}, points=tuple(row.points))
