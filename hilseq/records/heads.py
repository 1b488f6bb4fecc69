"""What the records have seen of journals: heads, which are only added to and contradict a later rewrite.

So they are a witness of a journal: they have seen it as it is, or otherwise, or not at all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from hilseq.journal.reader import Journal
from hilseq.journal.run_state import RunState
from hilseq.journal.signatures import SignedHead, Trust, TrustAnswer
from hilseq.records.database import Database, JournalRefused, open_database
from hilseq.records.tables import heads, insert_for, name, runs
from hilseq.signing import trusted_keys


def keep_heads(database: Database, run_key: str, signed: Iterable[SignedHead]) -> None:
    """Keep heads that a run has signed just now; `run_key` is the chain value of its first line.

    Raises JournalRefused where another line was seen in the place of one of them, RecordsUnreachable, RecordsUnusable.
    """
    new = {head.lines: head for head in signed}
    with database.writing() as connection:
        for seen in heads_of(connection, run_key):
            if seen.lines in new and new[seen.lines].chain != seen.chain:
                raise JournalRefused(
                    f"{database} has seen another line {seen.lines} of the run {new[seen.lines].run!r}"
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


@dataclass(frozen=True, slots=True)
class SeenHead:
    """That a run had so many `lines`, the last with this `chain` value, and who has signed that, or nobody."""

    lines: int
    chain: str
    signed_by: str

    def fits(self, links: Sequence[str]) -> bool:
        """Return whether a journal whose lines have these chain values is the one that was seen, or more of it."""
        return 0 < self.lines <= len(links) and links[self.lines - 1] == self.chain


def heads_of(connection: Connection, run_key: str) -> list[SeenHead]:
    """Return what was seen of a run, the fewest lines first."""
    seen = (
        sa.select(heads.c.lines, heads.c.chain, heads.c.signed_by)
        .where(heads.c.run_key == run_key)
        .order_by(heads.c.lines)
    )
    return [SeenHead(*row) for row in connection.execute(seen)]


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
        held = sa.select(runs.c.chain).where(runs.c.key == journal.links[0])
        with open_database(where, create=False, upgrade=False) as database:
            with database.reading() as connection:
                mine = heads_of(connection, journal.links[0])
                named = connection.execute(sa.select(heads.c.lines).where(same_name)).first() is not None
                is_held = connection.execute(held).scalar() == journal.links[-1]
            there = f"the records at {database}"
            if mine:
                return _compared(there, journal, mine, is_held=is_held, stand=run.stand)
            if named:
                reported = f"{there} know a run of this name on this stand, and it began otherwise"
                return TrustAnswer(Trust.CONTRADICTS, reported)
            return TrustAnswer(Trust.NONE, f"{there} have not seen this run")

    return witness


def _compared(
    there: str, journal: Journal, seen: Sequence[SeenHead], *, is_held: bool, stand: str
) -> TrustAnswer:
    links = journal.links
    agree = [head for head in seen if head.fits(links)]
    wrong = [head for head in seen if not head.fits(links)]
    words = ""
    if wrong and is_held and outweighs(agree[-1:], wrong, stand):
        words = "; they had another journal of it before, which no stand that is known here had signed"
    elif wrong:
        first = wrong[0].lines
        reported = f"{there} have seen another line {first} of this run"
        if first > len(links):
            reported = f"{there} have seen {first} lines of this run, and {len(links)} are here"
        return TrustAnswer(Trust.CONTRADICTS, reported)
    times = f", {len(agree)} times" if len(agree) > 1 else ""
    return TrustAnswer(Trust.AGREE, f"{there} have seen this run, to line {agree[-1].lines}{times}{words}")


def outweighs(mine: Iterable[SeenHead], other: Iterable[SeenHead], stand: str) -> bool:
    """Return whether a stand that is known here has signed some of the heads of one journal, and none of the other.

    Raises UsageError where keys cannot be read.
    """
    trusted = trusted_keys(stand)
    return any(head.signed_by in trusted for head in mine) and not any(
        head.signed_by in trusted for head in other
    )
