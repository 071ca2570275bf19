"""Whose claim it is, beside the name that persons read."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("claims", sa.Column("owner", sa.Text(), nullable=True))
