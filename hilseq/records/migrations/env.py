"""Run by Alembic: applies the steps on the connection that `hilseq.records.database` hands over."""

from __future__ import annotations

from alembic import context

from hilseq.records.tables import metadata

context.configure(connection=context.config.attributes["connection"], target_metadata=metadata)
with context.begin_transaction():
    context.run_migrations()
