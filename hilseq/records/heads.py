"""What the records have seen of journals: heads, which are only added to and contradict a later rewrite.

So they are a witness of a journal: they have seen it as it is, or otherwise, or not at all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from hilseq.journal.reader import Journal
from hilseq.journal.run_state import RunState
from hilseq.journal.signatures import SignedHead, Trust, TrustAnswer
from hilseq.records.database import Database, JournalRefused, open_database
from hilseq.records.tables import heads, insert_for, name


def keep_heads(database: Database, run_key: str, signed: Iterable[SignedHead]) -> None:
    """Keep heads that a run has signed just now; `run_key` is the chain value of its first line.

    Raises JournalRefused where another line was seen in the place of one of them, RecordsUnreachable, RecordsUnusable.
    """
    new = {head.lines: head for head in signed}
    with database.writing() as connection:
        for lines, chain in heads_of(connection, run_key):
            if lines in new and new[lines].chain != chain:
                raise JournalRefused(
                    f"{database} has seen another line {lines} of the run {new[lines].run!r}"
                )
        add_heads(
            connection,
            [
                {
                    "run_key": run_key,
                    "lines": lines,
                    "chain": head.chain,
                    "stand": name(head.stand),
                    "run": name(head.run),
                    "signed_by": head.key,
                }
                for lines, head in new.items()
            ],
        )


def heads_of(connection: Connection, run_key: str) -> list[tuple[int, str]]:
    """Return the lines that were seen of a run, each with its chain value then."""
    seen = sa.select(heads.c.lines, heads.c.chain).where(heads.c.run_key == run_key)
    return [(row.lines, row.chain) for row in connection.execute(seen)]


def add_heads(connection: Connection, rows: list[dict[str, Any]]) -> None:
    """Add rows of the table of heads; those that are there stay as they are."""
    if rows:
        connection.execute(insert_for(connection, heads).on_conflict_do_nothing(), rows)


def carry_heads(old: Path, database: Database) -> int:
    """Bring what records that were set aside had seen into those made anew; return how many heads they had.

    Raises RecordsUnusable when nothing can be read of the old ones.
    """
    with open_database(old, create=False, upgrade=False) as before, before.reading() as connection:
        seen = [dict(row) for row in connection.execute(sa.select(heads)).mappings()]
    with database.writing() as connection:
        add_heads(connection, seen)
    return len(seen)


def witness_of(where: str | None) -> Callable[[Journal, RunState], TrustAnswer]:
    """Return the records at an address as a witness of journals.

    It raises RecordsUnreachable or RecordsUnusable when it is asked.
    """

    def witness(journal: Journal, run: RunState) -> TrustAnswer:
        same_name = sa.and_(heads.c.run == name(run.run), heads.c.stand == name(run.stand))
        query = (
            sa.select(heads.c.run_key, heads.c.lines, heads.c.chain)
            .where(sa.or_(heads.c.run_key == journal.links[0], same_name))
            .order_by(heads.c.lines)
        )
        with open_database(where, create=False, upgrade=False) as database:
            with database.reading() as connection:
                seen = connection.execute(query).all()
            return _compared(str(database), journal, [tuple(row) for row in seen])

    return witness


def _compared(address: str, journal: Journal, seen: list[tuple[str, int, str]]) -> TrustAnswer:
    if not seen:
        return TrustAnswer(Trust.NONE, f"the records at {address} have not seen this run")
    mine = [(lines, chain) for key, lines, chain in seen if key == journal.links[0]]
    for lines, chain in mine:
        if lines > len(journal.links):
            here = len(journal.links)
            reported = f"the records at {address} have seen {lines} lines of this run, and {here} are here"
            return TrustAnswer(Trust.CONTRADICTS, reported)
        if lines < 1 or journal.links[lines - 1] != chain:
            return TrustAnswer(
                Trust.CONTRADICTS, f"the records at {address} have seen another line {lines} of this run"
            )
    if mine:
        times = f", {len(mine)} times" if len(mine) > 1 else ""
        reported = f"the records at {address} have seen this run, to line {mine[-1][0]}{times}"
        return TrustAnswer(Trust.AGREE, reported)
    reported = f"the records at {address} know a run of this name on this stand, and it began otherwise"
    return TrustAnswer(Trust.CONTRADICTS, reported)
