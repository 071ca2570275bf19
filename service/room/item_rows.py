"""Things and their places as rows. Every function works inside its caller's transaction."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

from service import room_tables as r
from service import tables as t
from service.errors import NotFound
from service.room.items import Item, Placement, due_since, proves


def read_items(connection: sa.Connection, *wanted: sa.ColumnElement[bool]) -> list[Item]:
    open_ones = (r.placements.c.item == r.items.c.id) & r.placements.c.until.is_(None)
    query = sa.select(r.items).where(*wanted).order_by(r.items.c.id)
    there = sa.select(r.placements).join(r.items, open_ones).where(*wanted)
    places = {row.item: placement_of(row) for row in connection.execute(there)}
    return [Item(**dict(row._mapping), placement=places.get(row.id)) for row in connection.execute(query)]


def read_or_none(connection: sa.Connection, item_id: str) -> Item | None:
    found = read_items(connection, r.items.c.id == item_id)
    return found[0] if found else None


def read_item(connection: sa.Connection, item_id: str) -> Item:
    item = read_or_none(connection, item_id)
    if item is None:
        raise NotFound(f"no item {item_id[:80]!r}")
    return item


def update_item(connection: sa.Connection, item: Item) -> None:
    names = ("label", "identity", "state", "state_since", "awaits_check")
    values = {name: getattr(item, name) for name in names}
    connection.execute(sa.update(r.items).where(r.items.c.id == item.id).values(values))


def in_place(connection: sa.Connection, station: str, place: str) -> str | None:
    wanted = (r.placements.c.station == station, r.placements.c.place == place)
    query = sa.select(r.placements.c.item).where(*wanted, r.placements.c.until.is_(None))
    found: str | None = connection.execute(query).scalar()
    return found


def proof_of(connection: sa.Connection, item: Item) -> str | None:
    """The first check that began since the item awaits one and shows it to be good."""
    assert item.placement is not None
    query = (
        sa.select(t.runs.c.id, t.results.c.document)
        .join(t.results, t.results.c.run_id == t.runs.c.id)
        .where(
            t.runs.c.station == item.placement.station,
            t.runs.c.kind == "check",
            t.runs.c.state == "done",
            t.runs.c.verdict == "pass",
            t.runs.c.started_at >= due_since(item),
        )
        .order_by(t.runs.c.started_at)
    )
    return next((run for run, document in connection.execute(query) if proves(document, item)), None)


def placement_of(row: sa.Row[Any]) -> Placement:
    names = ("item", "station", "place", "channel", "since", "until", "who")
    return Placement(**{name: getattr(row, name) for name in names})
