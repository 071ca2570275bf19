"""Access: tokens, links, an audit that is a chain, and whose a run is."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("runs", sa.Column("owner", sa.Text(), nullable=True))
    op.create_index("ix_runs_owner_state", "runs", ["owner", "state"], unique=False)
    op.create_table(
        "tokens",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("parent", sa.Text(), nullable=True),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("stations", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("made_at", sa.Text(), nullable=False),
        sa.Column("made_by", sa.Text(), nullable=False),
        sa.Column("expires_at", sa.Text(), nullable=True),
        sa.Column("revoked_at", sa.Text(), nullable=True),
        sa.Column("used_on", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tokens")),
        sa.UniqueConstraint("sha256", name=op.f("uq_tokens_sha256")),
    )
    op.create_table(
        "links",
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("made_at", sa.Text(), nullable=False),
        sa.Column("expires_at", sa.Text(), nullable=False),
        sa.Column("used_at", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_links")),
    )
    _audit()


def _audit() -> None:
    """Nothing has ever written to the old one."""
    op.drop_table("audit")
    op.create_table(
        "audit",
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("details", sa.Text(), nullable=False),
        sa.Column("previous", sa.Text(), nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_audit")),
    )
    op.create_index(op.f("ix_audit_at"), "audit", ["at"], unique=False)
    for statement in APPEND_ONLY[op.get_bind().dialect.name]:
        op.execute(statement)


APPEND_ONLY = {
    "sqlite": [
        f"CREATE TRIGGER audit_no_{what} BEFORE {what} ON audit "
        "BEGIN SELECT RAISE(ABORT, 'the audit is append-only'); END"
        for what in ("update", "delete")
    ],
    "postgresql": [
        "CREATE FUNCTION audit_append_only() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RAISE EXCEPTION 'the audit is append-only'; END $$",
        "CREATE TRIGGER audit_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON audit "
        "FOR EACH STATEMENT EXECUTE FUNCTION audit_append_only()",
    ],
}
