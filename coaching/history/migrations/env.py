"""Alembic's entry: runs the migrations on the connection, and in the transaction, that `schema` hands over."""

from __future__ import annotations

from alembic import context

from ebbset.coaching.history.tables import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    # SQLite changes a column by making its table anew.
    render_as_batch=True,
)
with context.begin_transaction():
    context.run_migrations()
