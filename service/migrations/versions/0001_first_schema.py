"""The first schema: runs, their evidence, workers, schedules, keys and the audit."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "attachments",
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("worker", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("station", name=op.f("pk_attachments")),
    )
    op.create_table(
        "audit",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("details", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_audit_at"), "audit", ["at"], unique=False)
    op.create_table(
        "firings",
        sa.Column("schedule", sa.Text(), nullable=False),
        sa.Column("due_at", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("schedule", "due_at", name=op.f("pk_firings")),
    )
    op.create_table(
        "keys",
        sa.Column("hash", sa.Text(), nullable=False),
        sa.Column("fingerprint", sa.Text(), nullable=False),
        sa.Column("run_id", sa.Text(), nullable=False),
        sa.Column("created_at", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("hash", name=op.f("pk_keys")),
    )
    op.create_index(op.f("ix_keys_created_at"), "keys", ["created_at"], unique=False)
    op.create_table(
        "runs",
        sa.Column("sequence", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("request", sa.JSON(), nullable=False),
        sa.Column("created_at", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("verdict", sa.Text(), nullable=True),
        sa.Column("error", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("started_at", sa.Text(), nullable=True),
        sa.Column("finished_at", sa.Text(), nullable=True),
        sa.Column("origin", sa.Text(), nullable=False),
        sa.Column("process", sa.JSON(), nullable=False),
        sa.Column("priority", sa.Text(), nullable=False),
        sa.Column("limit_s", sa.Float(), nullable=True),
        sa.Column("job", sa.Integer(), nullable=False),
        sa.Column("worker", sa.Text(), nullable=True),
        sa.Column("stop_reason", sa.Text(), nullable=True),
        sa.Column("waiting_for", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("answers", sa.JSON(), nullable=False),
        sa.Column("schedule", sa.Text(), nullable=True),
        sa.Column("kept_for", sa.Text(), nullable=True),
        sa.Column("report", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("sequence", name=op.f("pk_runs")),
        sa.UniqueConstraint("id", name=op.f("uq_runs_id")),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_runs_created_at", "runs", ["created_at"], unique=False)
    op.create_index("ix_runs_state", "runs", ["state"], unique=False)
    op.create_index("ix_runs_station_state", "runs", ["station", "state"], unique=False)
    op.create_index(
        "uq_runs_one_at_work",
        "runs",
        ["station"],
        unique=True,
        sqlite_where=sa.text("state IN ('running', 'waiting') AND origin = 'service'"),
        postgresql_where=sa.text("state IN ('running', 'waiting') AND origin = 'service'"),
    )
    op.create_table(
        "schedules",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.Column("changed_at", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_schedules")),
    )
    op.create_table(
        "workers",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("host", sa.Text(), nullable=False),
        sa.Column("pid", sa.Integer(), nullable=False),
        sa.Column("stations", sa.JSON(), nullable=False),
        sa.Column("started_at", sa.Text(), nullable=False),
        sa.Column("seen_at", sa.Float(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_workers")),
    )
    op.create_table(
        "captures",
        sa.Column("run_id", sa.Text(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("label", sa.Text(), nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_captures_run_id"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("run_id", "position", name=op.f("pk_captures")),
    )
    op.create_index(op.f("ix_captures_sha256"), "captures", ["sha256"], unique=False)
    op.create_table(
        "events",
        sa.Column("run_id", sa.Text(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_events_run_id"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("run_id", "number", name=op.f("pk_events")),
    )
    op.create_table(
        "findings",
        sa.Column("run_id", sa.Text(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("side", sa.Text(), nullable=False),
        sa.Column("severity", sa.Text(), nullable=False),
        sa.Column("line", sa.Text(), nullable=True),
        sa.Column("message", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_findings_run_id"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("run_id", "position", name=op.f("pk_findings")),
    )
    op.create_index("ix_findings_station_code_at", "findings", ["station", "code", "at"], unique=False)
    op.create_table(
        "measurements",
        sa.Column("run_id", sa.Text(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("value", sa.Float(), nullable=True),
        sa.Column("u", sa.Float(), nullable=True),
        sa.Column("unit", sa.Text(), nullable=True),
        sa.Column("verdict", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["run_id"], ["runs.id"], name=op.f("fk_measurements_run_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("run_id", "position", name=op.f("pk_measurements")),
    )
    op.create_index(
        "ix_measurements_station_name_at", "measurements", ["station", "name", "at"], unique=False
    )
    op.create_table(
        "results",
        sa.Column("run_id", sa.Text(), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_results_run_id"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("run_id", name=op.f("pk_results")),
    )
