"""How a run stands, in the words that the whole product has for it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

_RUNS = sa.table("runs", sa.column("state", sa.Text()), sa.column("state_text", sa.Text()))
#: What was said about a journal without an end; one that says it was interrupted stays so.
_NO_END = "the journal ends before the run did"


def upgrade() -> None:
    """Put the words of `RunStatus` in the place of whole, interrupted (in two meanings) and torn."""
    state = _RUNS.c.state
    cut_off = (state == "torn") | ((state == "interrupted") & (_RUNS.c.state_text == _NO_END))
    op.execute(_RUNS.update().where(cut_off).values(state="unfinished"))
    op.execute(_RUNS.update().where(state == "whole").values(state="completed"))
