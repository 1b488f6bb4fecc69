"""What the records tell, for the pages: one list of parts, and the answers that `hilseq history` gives."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from hilseq.errors import HilseqError, not_installed

if TYPE_CHECKING:
    from hilseq.records.database import Database
    from hilseq.records.history.answer import Answer

#: Parts shown on the overview, the ones seen last first.
MOST_PARTS = 100
#: Calibrations that end within so many days are shown.
DAYS = 30


class NoRecords(HilseqError):  # noqa: N818 (it says what is the matter)
    """There are no records to ask, or they cannot be reached; the message says what to do."""


def ask(runs: Path, records: str | None, question: Callable[[Database], Answer]) -> tuple[Answer, str]:
    """Return the answer and the address of the records, without a password.

    Raises NoRecords, or another HilseqError for a question that has no answer.
    """
    try:
        from hilseq.records.database import RecordsUnreachable, RecordsUnusable, open_database
    except ModuleNotFoundError as error:
        raise NoRecords(f"{not_installed(error.name or 'sqlalchemy')}, then start again") from None
    try:
        with open_database(records, runs=runs, upgrade=False, create=False) as database:
            return question(database), str(database)
    except (RecordsUnreachable, RecordsUnusable) as error:
        raise NoRecords(str(error)) from error


def overview(database: Database) -> Answer:
    """Tell which parts were on a stand, how often, and what shipped the first time."""
    import sqlalchemy as sa

    from hilseq.records.history.answer import Answer, AnswerTable, percent
    from hilseq.records.history.part import first_pass
    from hilseq.records.tables import units, visits
    from hilseq.reports.formatting import count

    query = (
        sa.select(units.c.part, visits.c.simulated, sa.func.max(visits.c.started).label("last"))
        .join(visits, visits.c.unit_id == units.c.id)
        .group_by(units.c.part, visits.c.simulated)
        .order_by(sa.text("last DESC"))
        .limit(MOST_PARTS)
    )
    with database.reading() as connection:
        found = [(str(part), bool(simulated), last) for part, simulated, last in connection.execute(query)]
    rows = []
    for part, simulated, last in found:
        first = first_pass(database, part, simulated=simulated)
        yield_ = "none judged yet"
        if first.share is not None and first.low is not None and first.high is not None:
            yield_ = f"{percent(first.share)} ({percent(first.low)} to {percent(first.high)})"
        kind = "simulated" if simulated else "hardware"
        rows.append((part, kind, first.units + first.undecided_units, first.visits, yield_, last))
    return Answer(
        "History",
        [f"{count(len(rows), 'part')} in the records."] if rows else ["The records are empty."],
        [
            AnswerTable(
                "Parts", ("part", "kind", "units", "visits", "first-pass yield, 95 % bounds", "last"), rows
            )
        ],
    )


def part(name: str, *, simulated: bool) -> Callable[[Database], Answer]:
    """Return the question what became of all units of a part."""

    def question(database: Database) -> Answer:
        from hilseq.records.history.part import first_pass, pareto, pooled, yield_over_time
        from hilseq.records.history.present import of_part
        from hilseq.records.history.reading import reading_names
        from hilseq.records.history.repairs import cure_rates

        answer = of_part(
            first_pass(database, name, simulated=simulated),
            yield_over_time(database, name, simulated=simulated),
            pareto(database, name, simulated=simulated),
            pareto(database, name, blames="stand", simulated=simulated),
            pooled(database, name, simulated=simulated),
            cures=cure_rates(database, name, simulated=simulated),
        )
        names = reading_names(database, name, simulated=simulated)
        return replace(answer, data={**answer.data, "part": name, "simulated": simulated, "readings": names})

    return question


def reading(of: str, name: str, *, simulated: bool) -> Callable[[Database], Answer]:
    """Return the question how a reading of a part is spread, with its control charts."""

    def question(database: Database) -> Answer:
        from hilseq.records.history.present import of_reading
        from hilseq.records.history.reading import reading_history

        return of_reading(reading_history(database, of, name, simulated=simulated))

    return question


def gauge(of: str, name: str, *, simulated: bool) -> Callable[[Database], Answer]:
    """Return the question how much of the spread of a reading is the measuring."""

    def question(database: Database) -> Answer:
        from hilseq.records.history.gauge import gauge as ask_gauge
        from hilseq.records.history.present import of_gauge

        return of_gauge(ask_gauge(database, of, name, simulated=simulated), of, name)

    return question


def stands(of: str, name: str, *, simulated: bool) -> Callable[[Database], Answer]:
    """Return the question how the stands agree about a reading of a part."""

    def question(database: Database) -> Answer:
        from hilseq.records.history.present import of_stands
        from hilseq.records.history.stands import compare_stands

        return of_stands(compare_stands(database, of, name, simulated=simulated))

    return question


def unit(serial: str) -> Callable[[Database], Answer]:
    """Return the question what happened to a unit."""

    def question(database: Database) -> Answer:
        from hilseq.records.history.present import of_unit
        from hilseq.records.history.unit_history import unit_history

        return of_unit(unit_history(database, serial, None))

    return question


def retested(*, simulated: bool) -> Callable[[Database], Answer]:
    """Return the question which units were tested until they passed."""

    def question(database: Database) -> Answer:
        from hilseq.records.history.part import retested as ask_retested
        from hilseq.records.history.present import of_retested

        return of_retested(ask_retested(database, None, simulated=simulated), None)

    return question


def calibrations_due(*, simulated: bool) -> Callable[[Database], Answer]:
    """Return the question which instruments are due for calibration."""

    def question(database: Database) -> Answer:
        from hilseq.records.history.present import of_calibrations_due
        from hilseq.records.history.stands import calibrations_due as ask_calibrations_due

        today = datetime.now(UTC).date()
        return of_calibrations_due(
            ask_calibrations_due(database, today, DAYS, simulated=simulated, every=False), DAYS
        )

    return question
