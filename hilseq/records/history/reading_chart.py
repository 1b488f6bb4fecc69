"""A reading of a part over all units: its spread in each place, and charts of the places that need a look.

The statistics of every series come from SQL; only the charted ones are fetched, and of those the last points.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from hilseq.analysis.control_chart import Limits, Signal, individuals, signals
from hilseq.records.database import Database
from hilseq.records.history.reading_sums import sums
from hilseq.records.history.scope import (
    Quantity,
    readings,
    require_part,
    runs,
    series_of,
    stand_id,
    stands,
    units,
    visits,
)

#: Charts drawn, and points of each unless more are asked for.
MOST_CHARTS = 4
LAST_POINTS = 200


@dataclass(frozen=True, slots=True)
class Spread:
    """One series in numbers; `deviation` is the sample standard deviation, None for one value."""

    quantity: Quantity
    count: int
    units: int
    mean: float
    deviation: float | None
    least: float
    greatest: float
    marginal: int
    failed: int


@dataclass(frozen=True, slots=True)
class Point:
    """One reading of a chart."""

    at: datetime
    stand: str
    serial: str
    run: str
    value: float
    low: float | None
    high: float | None
    verdict: str


@dataclass(frozen=True, slots=True)
class Chart:
    """Individuals and moving range chart of the last points of one series, oldest first.

    `limits` is None, and nothing signals, where fewer than two points or no scatter at all give none.
    """

    quantity: Quantity
    points: list[Point]
    limits: Limits | None
    signals: list[Signal]


@dataclass(frozen=True, slots=True)
class ReadingHistory:
    """What is known of a reading: the spread of every series, and charts of the worst."""

    part: str
    name: str
    simulated: bool
    spreads: list[Spread]
    charts: list[Chart]


def reading_history(
    database: Database,
    part: str,
    name: str,
    *,
    place: str | None = None,
    stand: str | None = None,
    last: int = LAST_POINTS,
    simulated: bool = False,
) -> ReadingHistory:
    """Return the history of a reading of a part, of one place or stand when asked for.

    Raises UsageError, with the readings there are, when there is none of that name.
    """
    with database.reading() as connection:
        require_part(connection, part, simulated=simulated)
        numbers = series_of(connection, part, name, place)
        only: list[sa.ColumnElement[bool]] = [visits.c.simulated.is_(simulated)]
        if stand is not None:
            here = sa.select(runs.c.id).where(runs.c.stand_id == stand_id(connection, stand))
            only.append(visits.c.run_id.in_(here))
        spreads = _spreads(connection, numbers, only)
        by_quantity = {kept: number for number, kept in numbers.items()}
        charts = [
            _chart(spread.quantity, _points(connection, by_quantity[spread.quantity], only, last))
            for spread in spreads[:MOST_CHARTS]
        ]
    return ReadingHistory(part, name, simulated, spreads, charts)


def _chart(of: Quantity, points: list[Point]) -> Chart:
    values = [point.value for point in points]
    limits = individuals(values) if len(values) > 1 else None
    if limits is None or not limits.sigma > 0.0:
        return Chart(of, points, None, [])
    return Chart(of, points, limits, list(signals(values, limits)))


def _spreads(
    connection: Connection, numbers: dict[int, Quantity], only: list[sa.ColumnElement[bool]]
) -> list[Spread]:
    """Return the spread of each series, those with most bad readings first."""
    found = [
        Spread(
            quantity=numbers[row.series_id],
            count=row.count,
            units=row.units,
            mean=row.mean,
            deviation=row.deviation,
            least=row.least,
            greatest=row.greatest,
            marginal=row.marginal,
            failed=row.failed,
        )
        for row in sums(connection, numbers, only)
    ]
    return sorted(found, key=lambda one: (-(one.failed + one.marginal) / one.count, one.quantity))


def _points(
    connection: Connection, number: int, only: list[sa.ColumnElement[bool]], last: int
) -> list[Point]:
    order = (visits.c.started.desc(), runs.c.key.desc(), readings.c.id.desc())
    # Only the last ones are looked up, after all of them were put in order by what the order needs.
    newest = (
        sa.select(readings.c.id)
        .join(visits, visits.c.id == readings.c.visit_id)
        .join(runs, runs.c.id == visits.c.run_id)
        .where(readings.c.series_id == number, readings.c.value.is_not(None), *only)
        .order_by(*order)
        .limit(last)
        .subquery("newest")
    )
    query = (
        sa.select(
            readings.c.at,
            stands.c.name,
            units.c.serial,
            runs.c.run,
            readings.c.value,
            readings.c.low,
            readings.c.high,
            readings.c.verdict,
        )
        .select_from(newest)
        .join(readings, readings.c.id == newest.c.id)
        .join(visits, visits.c.id == readings.c.visit_id)
        .join(runs, runs.c.id == visits.c.run_id)
        .join(stands, stands.c.id == runs.c.stand_id)
        .join(units, units.c.id == visits.c.unit_id)
        .order_by(*order)
    )
    return [Point(*row) for row in connection.execute(query)][::-1]
