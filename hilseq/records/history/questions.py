"""What can be asked of the records: `hilseq history` and the pages ask the same, and get the same answers."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import sqlalchemy as sa

from hilseq.records.database import Database
from hilseq.records.history import present
from hilseq.records.history.answer import Answer, AnswerTable, percent
from hilseq.records.history.calibrations import calibrations_due
from hilseq.records.history.gauge import gauge
from hilseq.records.history.part import first_pass, pareto, pooled, retested, yield_over_time
from hilseq.records.history.reading import LAST_POINTS, reading_history, reading_names
from hilseq.records.history.repairs import cure_rates
from hilseq.records.history.stands import LAST_VISITS, compare_stands
from hilseq.records.history.unit_history import unit_history
from hilseq.records.tables import units, visits
from hilseq.reports.formatting import count

#: Parts shown on the overview, the ones seen last first.
MOST_PARTS = 100


class Questions:
    """The questions to open records. Each raises UsageError where the records hold no such thing."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def overview(self) -> Answer:
        """Show which parts were on a stand, how often, and what shipped the first time."""
        query = (
            sa.select(units.c.part, visits.c.simulated, sa.func.max(visits.c.started).label("last"))
            .join(visits, visits.c.unit_id == units.c.id)
            .group_by(units.c.part, visits.c.simulated)
            .order_by(sa.text("last DESC"))
            .limit(MOST_PARTS)
        )
        with self._database.reading() as connection:
            found = [
                (str(part), bool(simulated), last) for part, simulated, last in connection.execute(query)
            ]
        rows = []
        for part, simulated, last in found:
            first = first_pass(self._database, part, simulated=simulated)
            yield_ = "none judged yet"
            if first.share is not None and first.low is not None and first.high is not None:
                yield_ = f"{percent(first.share)} ({percent(first.low)} to {percent(first.high)})"
            kind = "simulated" if simulated else "hardware"
            rows.append((part, kind, first.units + first.undecided_units, first.visits, yield_, last))
        columns = ("part", "kind", "units", "visits", "first-pass yield, 95 % bounds", "last")
        words = f"{count(len(rows), 'part')} in the records." if rows else "The records are empty."
        return Answer("History", [words], [AnswerTable("Parts", columns, rows)])

    def unit(self, serial: str, part: str | None = None, *, simulated: bool = False) -> Answer:
        """Show what happened to a unit: in all its visits, or in the simulated ones alone."""
        return present.of_unit(unit_history(self._database, serial, part, simulated=simulated))

    def part(self, part: str, *, confidence: float = 0.95, simulated: bool = False) -> Answer:
        """Show the outcome of all units of a part."""
        database = self._database
        return present.of_part(
            first_pass(database, part, confidence=confidence, simulated=simulated),
            yield_over_time(database, part, confidence=confidence, simulated=simulated),
            pareto(database, part, simulated=simulated),
            pareto(database, part, blames="stand", simulated=simulated),
            pooled(database, part, confidence=confidence, simulated=simulated),
            cures=cure_rates(database, part, confidence=confidence, simulated=simulated),
        )

    def part_and_readings(self, part: str, *, simulated: bool) -> Answer:
        """Show the same, with the names of the readings that can be asked for next."""
        answer = self.part(part, simulated=simulated)
        names = reading_names(self._database, part, simulated=simulated)
        return replace(answer, data={**answer.data, "part": part, "simulated": simulated, "readings": names})

    def reading(
        self,
        part: str,
        name: str,
        *,
        place: str | None = None,
        stand: str | None = None,
        last: int = LAST_POINTS,
        simulated: bool = False,
    ) -> Answer:
        """Show how a reading of a part is spread, with its control charts."""
        return present.of_reading(
            reading_history(
                self._database, part, name, place=place, stand=stand, last=last, simulated=simulated
            )
        )

    def gauge(
        self,
        part: str,
        name: str,
        *,
        place: str | None = None,
        by_stand: bool = False,
        simulated: bool = False,
    ) -> Answer:
        """Show how much of the spread of a reading comes from the measurement."""
        found = gauge(self._database, part, name, place=place, by_stand=by_stand, simulated=simulated)
        return present.of_gauge(found, part, name)

    def stands(
        self,
        part: str,
        name: str,
        *,
        place: str | None = None,
        last: int = LAST_VISITS,
        simulated: bool = False,
    ) -> Answer:
        """Show how the stands agree about a reading of a part."""
        return present.of_stands(
            compare_stands(self._database, part, name, place=place, last=last, simulated=simulated)
        )

    def retested(self, part: str | None = None, *, simulated: bool = False) -> Answer:
        """Show which units were tested until they passed."""
        return present.of_retested(retested(self._database, part, simulated=simulated), part)

    def calibrations_due(
        self, today: date, days: int, *, simulated: bool = False, every: bool = False
    ) -> Answer:
        """Show which instruments are due for calibration within so many days."""
        found = calibrations_due(self._database, today, days, simulated=simulated, every=every)
        return present.of_calibrations_due(found, days)
