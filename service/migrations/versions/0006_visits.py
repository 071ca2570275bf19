"""How each run found its scope and left it: what happened to the scope in between."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "visits",
        sa.Column("run_id", sa.Text(), sa.ForeignKey("runs.id", ondelete="CASCADE"), primary_key=True),
        sa.Column("scope", sa.Text(), nullable=False),
        sa.Column("met_at", sa.Text(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("switched_on", sa.Boolean(), nullable=False),
        sa.Column("changed", sa.JSON(), nullable=True),
        sa.Column("unusual", sa.JSON(), nullable=False),
        sa.Column("left_as", sa.JSON(), nullable=True),
    )
    op.create_index("ix_visits_scope_at", "visits", ["scope", "at"])
