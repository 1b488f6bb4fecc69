"""The records as a witness of a journal: they have seen it as it is, or otherwise, or not at all."""

from __future__ import annotations

import sqlalchemy as sa

from hilseq.journal.reader import Journal
from hilseq.journal.run_state import RunState
from hilseq.records.database import open_database
from hilseq.records.tables import heads, name
from hilseq.reports.verify import Trust, TrustAnswer, Witness


def witness_of(where: str | None) -> Witness:
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
