"""All tables, in one `metadata`. What changes here needs a migration, and `NEWEST` in database.py.

Times are text, RFC 3339 in UTC with milliseconds and Z: they sort, people read them, SQLite keeps no zone.
"""

from __future__ import annotations

import sqlalchemy as sa

from service import access_tables, room_tables

metadata = room_tables.items.metadata
"""With the tables of the room and of access in it, which have files of their own."""
tokens, links, audit = access_tables.tokens, access_tables.links, access_tables.audit


def _of_run() -> sa.Column[str]:
    run = sa.ForeignKey("runs.id", ondelete="CASCADE")
    return sa.Column("run_id", sa.Text, run, primary_key=True)


runs = sa.Table(
    "runs",
    metadata,
    sa.Column(
        "sequence", sa.Integer, primary_key=True, autoincrement=True
    ),  # the order in which they were asked for
    sa.Column("id", sa.Text, nullable=False, unique=True),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("station", sa.Text, nullable=False),
    sa.Column("request", sa.JSON, nullable=False),
    sa.Column("created_at", sa.Text, nullable=False),
    sa.Column("state", sa.Text, nullable=False),
    sa.Column("verdict", sa.Text),
    sa.Column("error", sa.JSON(none_as_null=True)),
    sa.Column("started_at", sa.Text),
    sa.Column("finished_at", sa.Text),
    sa.Column("origin", sa.Text, nullable=False),
    sa.Column("process", sa.JSON, nullable=False),
    sa.Column("priority", sa.Text, nullable=False),
    sa.Column("limit_s", sa.Float),  # seconds at the bench, waiting for a person not counted
    sa.Column(
        "job", sa.Integer, nullable=False
    ),  # which of its jobs may do it: an older one that comes back may not
    sa.Column("worker", sa.Text),  # who does it
    sa.Column("stop_reason", sa.Text),  # somebody asked it to stop
    sa.Column("waiting_for", sa.JSON(none_as_null=True)),  # what a person is to do
    sa.Column("answers", sa.JSON, nullable=False),  # what persons did, in order
    sa.Column("schedule", sa.Text),  # the schedule that made it
    sa.Column("kept_for", sa.Text),  # why retention must not touch it, e.g. a grade
    sa.Column("report", sa.Boolean, nullable=False),
    sa.Column("owner", sa.Text),  # id of the token that asked for it
    sa.Index("ix_runs_station_state", "station", "state"),
    sa.Index("ix_runs_created_at", "created_at"),
    sa.Index("ix_runs_state", "state"),
    sa.Index("ix_runs_owner_state", "owner", "state"),
    sqlite_autoincrement=True,
)

sa.Index(
    "uq_runs_one_at_work",
    runs.c.station,
    unique=True,
    sqlite_where=sa.text("state IN ('running', 'waiting') AND origin = 'service'"),
    postgresql_where=sa.text("state IN ('running', 'waiting') AND origin = 'service'"),
)
"""The database itself refuses a second run of the service at work on a station."""

results = sa.Table(
    "results",
    metadata,
    _of_run(),
    sa.Column("document", sa.JSON, nullable=False),
)

findings = sa.Table(
    "findings",
    metadata,
    _of_run(),
    sa.Column("position", sa.Integer, primary_key=True),
    sa.Column("station", sa.Text, nullable=False),
    sa.Column("at", sa.Text, nullable=False),
    sa.Column("code", sa.Text, nullable=False),
    sa.Column("side", sa.Text, nullable=False),
    sa.Column("severity", sa.Text, nullable=False),
    sa.Column("line", sa.Text),
    sa.Column("message", sa.Text, nullable=False),
    sa.Index("ix_findings_station_code_at", "station", "code", "at"),
)

measurements = sa.Table(
    "measurements",
    metadata,
    _of_run(),
    sa.Column("position", sa.Integer, primary_key=True),
    sa.Column("station", sa.Text, nullable=False),
    sa.Column("at", sa.Text, nullable=False),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("value", sa.Float),
    sa.Column("u", sa.Float),  # expanded uncertainty, k = 2
    sa.Column("unit", sa.Text),
    sa.Column("verdict", sa.Text),
    sa.Column("subject", sa.Text),  # of which thing it speaks, where it is known: probe/to_target, ...
    sa.Column("least", sa.Float),  # what it may be, in its unit
    sa.Column("greatest", sa.Float),
    sa.Index("ix_measurements_station_name_at", "station", "name", "at"),
)

visits = sa.Table(
    "visits",
    metadata,
    _of_run(),
    sa.Column("scope", sa.Text, nullable=False),  # address and who answered there
    sa.Column("met_at", sa.Text, nullable=False),  # when it was opened first, or seen to have been off
    sa.Column("at", sa.Text, nullable=False),  # when it was opened or let go of last
    sa.Column(
        "switched_on", sa.Boolean, nullable=False
    ),  # it was off and on since the run before, or during it
    sa.Column("changed", sa.JSON(none_as_null=True)),  # settings that are not as that run left them, in words
    sa.Column("unusual", sa.JSON, nullable=False),  # of the settings found, what no run would have left so
    sa.Column("owed", sa.JSON(none_as_null=True)),  # settings as found that are still to be put back
    sa.Column("left_as", sa.JSON(none_as_null=True)),  # settings as they were left; null: nobody knows
    sa.Index("ix_visits_scope_at", "scope", "at"),
)

captures = sa.Table(
    "captures",
    metadata,
    _of_run(),
    sa.Column("position", sa.Integer, primary_key=True),  # in the order in which they were taken
    sa.Column("label", sa.Text, nullable=False),
    sa.Column("sha256", sa.Text, nullable=False, index=True),  # of the file, which is its name
    sa.Column("size", sa.Integer, nullable=False),
    sa.Column("at", sa.Text, nullable=False),
    sa.Column("facts", sa.JSON, nullable=False),  # what else the run must know of it to go on after a crash
)

events = sa.Table(
    "events",
    metadata,
    _of_run(),
    sa.Column("number", sa.Integer, primary_key=True),  # from 1, without gaps
    sa.Column("body", sa.JSON, nullable=False),
)

keys = sa.Table(
    "keys",
    metadata,
    sa.Column("hash", sa.Text, primary_key=True),  # SHA-256 of the Idempotency-Key
    sa.Column("fingerprint", sa.Text, nullable=False),  # SHA-256 of the request
    sa.Column("run_id", sa.Text, nullable=False),
    sa.Column("created_at", sa.Text, nullable=False, index=True),
)

workers = sa.Table(
    "workers",
    metadata,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("host", sa.Text, nullable=False),
    sa.Column("pid", sa.Integer, nullable=False),
    sa.Column("stations", sa.JSON, nullable=False),  # null: all that no other worker has
    sa.Column("started_at", sa.Text, nullable=False),
    sa.Column("seen_at", sa.Float, nullable=False),  # seconds since 1970 by the database's clock
)

attachments = sa.Table(
    "attachments",
    metadata,
    sa.Column("station", sa.Text, primary_key=True),
    sa.Column("worker", sa.Text, nullable=False),
)

schedules = sa.Table(
    "schedules",
    metadata,
    sa.Column("name", sa.Text, primary_key=True),
    sa.Column("source", sa.Text, nullable=False),  # "file": the stations file; "http": made by a request
    sa.Column("body", sa.JSON, nullable=False),
    sa.Column("changed_at", sa.Text, nullable=False),
)

firings = sa.Table(
    "firings",
    metadata,
    sa.Column("schedule", sa.Text, primary_key=True),
    sa.Column("due_at", sa.Text, primary_key=True),  # one row for each moment: nobody fires it twice
    sa.Column("what", sa.Text, nullable=False),  # "run" or "skipped"
)
