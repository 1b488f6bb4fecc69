"""Where each run lay when it was imported, and what is wrong with the samples behind a visit."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Make the table; what was imported before has no copy yet, and so is looked at by the next sync."""
    op.create_table(
        "copies",
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("place", sa.Text(), nullable=False),
        sa.Column("look", sa.Text(), nullable=False),
        sa.Column("wrong", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_copies_run_id"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("run_id", "place", name=op.f("pk_copies")),
    )
    op.add_column("visits", sa.Column("damage", sa.Text(), nullable=False, server_default=""))
