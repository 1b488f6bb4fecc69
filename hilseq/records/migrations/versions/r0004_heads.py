"""What the records have seen of each journal, as a witness: a table that is only added to."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"

_REFUSED = "what the records have seen of a journal is only added to"
_SQLITE = (
    f"CREATE TRIGGER heads_{what} BEFORE {what} ON heads BEGIN SELECT RAISE(ABORT, '{_REFUSED}'); END"
    for what in ("UPDATE", "DELETE")
)
_POSTGRESQL = (
    (
        "CREATE OR REPLACE FUNCTION heads_are_only_added_to() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{_REFUSED}'; END $$"
    ),
    (
        "CREATE TRIGGER heads_rows BEFORE UPDATE OR DELETE ON heads "
        "FOR EACH ROW EXECUTE FUNCTION heads_are_only_added_to()"
    ),
    (
        "CREATE TRIGGER heads_all BEFORE TRUNCATE ON heads "
        "FOR EACH STATEMENT EXECUTE FUNCTION heads_are_only_added_to()"
    ),
)


def upgrade() -> None:
    """Make the table, with what the records have seen so far, and let nothing in it be changed."""
    op.create_table(
        "heads",
        sa.Column("run_key", sa.Text(), nullable=False),
        sa.Column("lines", sa.Integer(), nullable=False),
        sa.Column("chain", sa.Text(), nullable=False),
        sa.Column("stand", sa.Text(), nullable=False),
        sa.Column("run", sa.Text(), nullable=False),
        sa.Column("signed_by", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("run_key", "lines", "chain", name=op.f("pk_heads")),
    )
    op.create_index(op.f("ix_heads_run"), "heads", ["run"])
    op.execute(
        "INSERT INTO heads (run_key, lines, chain, stand, run, signed_by) "
        "SELECT runs.key, runs.lines, runs.chain, stands.name, runs.run, '' "
        "FROM runs JOIN stands ON stands.id = runs.stand_id"
    )
    for statement in _SQLITE if op.get_bind().dialect.name == "sqlite" else _POSTGRESQL:
        op.execute(statement)
