"""Run by Alembic: applies the steps on the connection that `hilseq.records.upgrading` hands over."""

from __future__ import annotations

from alembic import context

from hilseq.records.models import Base

context.configure(connection=context.config.attributes["connection"], target_metadata=Base.metadata)
with context.begin_transaction():
    context.run_migrations()
