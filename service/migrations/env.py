"""Runs the migrations on the connection that database.py hands over, inside its transaction."""

from __future__ import annotations

from alembic import context

from service.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    transaction_per_migration=False,
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
