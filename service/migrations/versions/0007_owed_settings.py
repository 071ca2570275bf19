"""What a run found at its scope and has still to put back: its program may die before."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("visits", sa.Column("owed", sa.JSON(), nullable=True))
