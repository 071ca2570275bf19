"""The room: things and their places, claims of persons, baselines, mornings with their deliveries."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "baselines",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("centre", sa.Float(), nullable=False),
        sa.Column("within", sa.Float(), nullable=False),
        sa.Column("between", sa.Float(), nullable=False),
        sa.Column("repeats", sa.Integer(), nullable=False),
        sa.Column("points", sa.JSON(), nullable=False),
        sa.Column("made_at", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("because", sa.Text(), nullable=False),
        sa.Column("replaced_at", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_baselines")),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_baselines_station_name", "baselines", ["station", "name", "made_at"], unique=False)
    op.create_index(
        "uq_baselines_one_counts",
        "baselines",
        ["station", "name"],
        unique=True,
        sqlite_where=sa.text("replaced_at IS NULL"),
        postgresql_where=sa.text("replaced_at IS NULL"),
    )
    op.create_table(
        "claims",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("because", sa.Text(), nullable=False),
        sa.Column("since", sa.Text(), nullable=False),
        sa.Column("until", sa.Text(), nullable=False),
        sa.Column("ended_at", sa.Text(), nullable=True),
        sa.Column("ended_because", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_claims")),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_claims_station_since", "claims", ["station", "since"], unique=False)
    op.create_index(
        "uq_claims_one_at_a_time",
        "claims",
        ["station"],
        unique=True,
        sqlite_where=sa.text("ended_at IS NULL"),
        postgresql_where=sa.text("ended_at IS NULL"),
    )
    op.create_table(
        "items",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("label", sa.Text(), nullable=False),
        sa.Column("identity", sa.Text(), nullable=True),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("state_since", sa.Text(), nullable=False),
        sa.Column("awaits_check", sa.Boolean(), nullable=False),
        sa.Column("made_at", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_items")),
    )
    op.create_table(
        "mornings",
        sa.Column("date", sa.Text(), nullable=False),
        sa.Column("due_at", sa.Text(), nullable=False),
        sa.Column("made_at", sa.Text(), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("date", name=op.f("pk_mornings")),
    )
    op.create_table(
        "deliveries",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("morning", sa.Text(), nullable=False),
        sa.Column("way", sa.Text(), nullable=False),
        sa.Column("target", sa.Text(), nullable=False),
        sa.Column("message_id", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("next_at", sa.Text(), nullable=False),
        sa.Column("last_error", sa.Text(), nullable=True),
        sa.Column("made_at", sa.Text(), nullable=False),
        sa.Column("settled_at", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["morning"], ["mornings.date"], name=op.f("fk_deliveries_morning")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_deliveries")),
        sa.UniqueConstraint("morning", "way", "target", name=op.f("uq_deliveries_morning_way_target")),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_deliveries_state_next_at", "deliveries", ["state", "next_at"], unique=False)
    op.create_table(
        "item_log",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("item", sa.Text(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("details", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["item"], ["items.id"], name=op.f("fk_item_log_item")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_item_log")),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_item_log_item_at", "item_log", ["item", "at"], unique=False)
    op.create_table(
        "placements",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("item", sa.Text(), nullable=False),
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("place", sa.Text(), nullable=False),
        sa.Column("channel", sa.Text(), nullable=True),
        sa.Column("since", sa.Text(), nullable=False),
        sa.Column("until", sa.Text(), nullable=True),
        sa.Column("who", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["item"], ["items.id"], name=op.f("fk_placements_item")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_placements")),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_placements_item_since", "placements", ["item", "since"], unique=False)
    op.create_index("ix_placements_station_since", "placements", ["station", "since"], unique=False)
    op.create_index(
        "uq_placements_one_item",
        "placements",
        ["station", "place"],
        unique=True,
        sqlite_where=sa.text("until IS NULL"),
        postgresql_where=sa.text("until IS NULL"),
    )
    op.create_index(
        "uq_placements_one_place",
        "placements",
        ["item"],
        unique=True,
        sqlite_where=sa.text("until IS NULL"),
        postgresql_where=sa.text("until IS NULL"),
    )
    op.add_column("measurements", sa.Column("subject", sa.Text(), nullable=True))
    op.add_column("measurements", sa.Column("least", sa.Float(), nullable=True))
    op.add_column("measurements", sa.Column("greatest", sa.Float(), nullable=True))
