"""Tables of access: who may come in, the links that open a door once, and the record of every change."""

from __future__ import annotations

import sqlalchemy as sa

from service.metadata import metadata

tokens = sa.Table(
    "tokens",
    metadata,
    sa.Column("id", sa.Text, primary_key=True),  # not secret: how people and the audit speak of it
    sa.Column("kind", sa.Text, nullable=False),  # "token", or "session": of a browser, by cookie
    sa.Column("parent", sa.Text),  # the token that a session was made from, and ends with
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("role", sa.Text, nullable=False),
    sa.Column("stations", sa.JSON(none_as_null=True)),  # names or patterns; null: all
    sa.Column("sha256", sa.Text, nullable=False, unique=True),  # the secret itself stands nowhere
    sa.Column("made_at", sa.Text, nullable=False),
    sa.Column("made_by", sa.Text, nullable=False),
    sa.Column("expires_at", sa.Text),
    sa.Column("revoked_at", sa.Text),
    sa.Column("used_on", sa.Text),  # the last day of use: more would cost a write for each question
)

links = sa.Table(
    "links",
    metadata,
    sa.Column("sha256", sa.Text, primary_key=True),
    sa.Column("made_at", sa.Text, nullable=False),
    sa.Column("expires_at", sa.Text, nullable=False),
    sa.Column("used_at", sa.Text),
)

audit = sa.Table(
    "audit",
    metadata,
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),  # from 1, without gaps
    sa.Column("at", sa.Text, nullable=False, index=True),
    sa.Column("who", sa.Text, nullable=False),  # id of a token, "loopback", "command" or "service"
    sa.Column("what", sa.Text, nullable=False),
    sa.Column("subject", sa.Text, nullable=False),
    sa.Column("address", sa.Text, nullable=False),  # where the request came from
    sa.Column("outcome", sa.Text, nullable=False),
    sa.Column("details", sa.Text, nullable=False),  # JSON, kept as text: each byte of it is under the hash
    sa.Column("previous", sa.Text, nullable=False),  # SHA-256 of the row before
    sa.Column("sha256", sa.Text, nullable=False),  # over everything above
)
"""Triggers (migration 0003) refuse to change or remove a row; the chain shows where they were got round."""
