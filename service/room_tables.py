"""Tables of the room: things and where they are, who is at a bench, what is usual there, and the mornings."""

from __future__ import annotations

import sqlalchemy as sa

from service.metadata import metadata

items = sa.Table(
    "items",
    metadata,
    sa.Column("id", sa.Text, primary_key=True),  # as on its label
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("label", sa.Text, nullable=False),
    sa.Column("identity", sa.Text),  # what it says of itself, where it can: a serial number
    sa.Column("state", sa.Text, nullable=False),
    sa.Column("state_since", sa.Text, nullable=False),
    sa.Column("awaits_check", sa.Boolean, nullable=False),  # to be in use again once a check has passed
    sa.Column("made_at", sa.Text, nullable=False),
)

placements = sa.Table(
    "placements",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("item", sa.Text, sa.ForeignKey("items.id"), nullable=False),
    sa.Column("station", sa.Text, nullable=False),
    sa.Column("place", sa.Text, nullable=False),  # of a probe its line; of anything else its kind
    sa.Column("channel", sa.Text),  # of the scope, where a probe is plugged in
    sa.Column("since", sa.Text, nullable=False),
    sa.Column("until", sa.Text),
    sa.Column("who", sa.Text, nullable=False),
    sa.Index("ix_placements_item_since", "item", "since"),
    sa.Index("ix_placements_station_since", "station", "since"),
    sqlite_autoincrement=True,
)

sa.Index(
    "uq_placements_one_place",
    placements.c.item,
    unique=True,
    sqlite_where=sa.text("until IS NULL"),
    postgresql_where=sa.text("until IS NULL"),
)
sa.Index(
    "uq_placements_one_item",
    placements.c.station,
    placements.c.place,
    unique=True,
    sqlite_where=sa.text("until IS NULL"),
    postgresql_where=sa.text("until IS NULL"),
)
"""A thing is at one place, and in one place is one thing: the database itself refuses anything else."""

item_log = sa.Table(
    "item_log",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("item", sa.Text, sa.ForeignKey("items.id"), nullable=False),
    sa.Column("at", sa.Text, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("what", sa.Text, nullable=False),  # made, placed, taken-away, state, note, identity, proved
    sa.Column("text", sa.Text, nullable=False),
    sa.Column("details", sa.JSON, nullable=False),
    sa.Index("ix_item_log_item_at", "item", "at"),
    sqlite_autoincrement=True,
)

claims = sa.Table(
    "claims",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("station", sa.Text, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("because", sa.Text, nullable=False),
    sa.Column("since", sa.Text, nullable=False),
    sa.Column("until", sa.Text, nullable=False),  # when it ends by itself
    sa.Column("ended_at", sa.Text),
    sa.Column("ended_because", sa.Text),
    sa.Column("owner", sa.Text),  # what the claimer's own runs are marked with, where that is known
    sa.Index("ix_claims_station_since", "station", "since"),
    sqlite_autoincrement=True,
)

sa.Index(
    "uq_claims_one_at_a_time",
    claims.c.station,
    unique=True,
    sqlite_where=sa.text("ended_at IS NULL"),
    postgresql_where=sa.text("ended_at IS NULL"),
)

baselines = sa.Table(
    "baselines",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("station", sa.Text, nullable=False),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("unit", sa.Text, nullable=False),
    sa.Column("centre", sa.Float, nullable=False),
    sa.Column("within", sa.Float, nullable=False),  # standard deviation of repeats without a touch
    sa.Column("between", sa.Float, nullable=False),  # standard deviation of what a new connection adds
    sa.Column("repeats", sa.Integer, nullable=False),
    sa.Column("points", sa.JSON, nullable=False),  # all of them: it outlives the runs that it rests on
    sa.Column("made_at", sa.Text, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("because", sa.Text, nullable=False),
    sa.Column("replaced_at", sa.Text),
    sa.Index("ix_baselines_station_name", "station", "name", "made_at"),
    sqlite_autoincrement=True,
)

sa.Index(
    "uq_baselines_one_counts",
    baselines.c.station,
    baselines.c.name,
    unique=True,
    sqlite_where=sa.text("replaced_at IS NULL"),
    postgresql_where=sa.text("replaced_at IS NULL"),
)

mornings = sa.Table(
    "mornings",
    metadata,
    sa.Column("date", sa.Text, primary_key=True),  # of the room's own calendar
    sa.Column("due_at", sa.Text, nullable=False),
    sa.Column("made_at", sa.Text, nullable=False),
    sa.Column("document", sa.JSON, nullable=False),
)

deliveries = sa.Table(
    "deliveries",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("morning", sa.Text, sa.ForeignKey("mornings.date"), nullable=False),
    sa.Column("way", sa.Text, nullable=False),  # mail, webhook
    sa.Column("target", sa.Text, nullable=False),  # its name in the stations file; no secret stands here
    sa.Column("message_id", sa.Text, nullable=False),  # the same at each attempt
    sa.Column("state", sa.Text, nullable=False),  # waiting, sent, given-up
    sa.Column("attempts", sa.Integer, nullable=False),
    sa.Column("next_at", sa.Text, nullable=False),  # not tried before
    sa.Column("last_error", sa.Text),
    sa.Column("made_at", sa.Text, nullable=False),
    sa.Column("settled_at", sa.Text),
    sa.UniqueConstraint("morning", "way", "target"),
    sa.Index("ix_deliveries_state_next_at", "state", "next_at"),
    sqlite_autoincrement=True,
)

past_runs = sa.Table(
    "past_runs",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("day", sa.Text, nullable=False),  # on which it was asked for, in UTC
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("priority", sa.Text, nullable=False),
    sa.Column("outcome", sa.Text, nullable=False),  # pass, fail, doubtful, void, cancelled
    sa.Column("waited_s", sa.Float),
    sa.Index("ix_past_runs_day", "day"),
    sqlite_autoincrement=True,
)
"""What is left of a run that was thrown away: it can be counted, and nothing leads to whoever asked for
it."""
