"""A reading of a part over all units: its spread in each place, and charts of the places that need a look.

The statistics of every series come from SQL, added up by the database; only the charted ones are fetched, and of those
the last points.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from hilseq.analysis import limits as tolerance
from hilseq.analysis.drift import ChartLimits, ChartSignal, individuals, signals
from hilseq.analysis.uncertainty import DecisionRule, Term, coverage_factor, type_a
from hilseq.records.database import Database
from hilseq.records.history.answer import Quantity, quantity, require_part, series_of, stand_id
from hilseq.records.tables import name as name_of
from hilseq.records.tables import readings, runs, series, stands, units, visits

#: Charts drawn, and points of each unless more are asked for.
MOST_CHARTS = 4
LAST_POINTS = 200
#: Fewer values say too little of a population to work out risks from.
_FEWEST = 20


@dataclass(frozen=True, slots=True)
class Spread:
    """One series in numbers; `deviation` is the sample standard deviation, None for one value."""

    quantity: Quantity
    count: int
    units: int
    mean: float
    deviation: float | None
    min: float
    max: float
    marginal: int
    failed: int


@dataclass(frozen=True, slots=True)
class Point:
    """One reading of a chart; `uncertainty` is expanded."""

    at: datetime
    stand: str
    serial: str
    run: str
    value: float
    low: float | None
    high: float | None
    verdict: str
    uncertainty: float | None = None
    rule: str = "guarded"


@dataclass(frozen=True, slots=True)
class Chart:
    """Individuals and moving range chart of the last points of one series, oldest first.

    `limits` is None, and nothing signals, where fewer than two points or no scatter at all give none. `risks` are
    those of the decision rule if units are as these values say; None where they cannot be computed.
    """

    quantity: Quantity
    points: list[Point]
    limits: ChartLimits | None
    signals: list[ChartSignal]
    risks: tolerance.Risks | None = None


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
        found = sorted(
            sums(connection, numbers, only),
            key=lambda one: (-(one[1].failed + one[1].marginal) / one[1].count, one[1].quantity),
        )
        charts = [
            _chart(spread.quantity, _points(connection, number, only, last))
            for number, spread in found[:MOST_CHARTS]
        ]
    return ReadingHistory(part, name, simulated, [spread for _, spread in found], charts)


def reading_names(database: Database, part: str, *, simulated: bool = False) -> list[str]:
    """Return the names of the readings that were taken of a part, in order."""
    taken = (
        sa.select(readings.c.id)
        .join(visits, visits.c.id == readings.c.visit_id)
        .where(readings.c.series_id == series.c.id, visits.c.simulated.is_(simulated))
    )
    query = sa.select(series.c.name).distinct().where(series.c.part == name_of(part), taken.exists())
    with database.reading() as connection:
        return sorted(connection.execute(query).scalars())


def _chart(of: Quantity, points: list[Point]) -> Chart:
    values = [point.value for point in points]
    limits = individuals(values) if len(values) > 1 else None
    if limits is None or not limits.sigma > 0.0:
        return Chart(of, points, None, [])
    return Chart(of, points, limits, list(signals(values, limits)), risks(points))


@dataclass(frozen=True, slots=True)
class KnownSpread:
    """What is known of one reading at one place over all earlier units, in its unit."""

    quantity: Quantity
    mean: float
    deviation: float
    count: int


def known_spreads(
    database: Database, part: str, names: Sequence[str], *, simulated: bool = False
) -> list[KnownSpread]:
    """Return what is known of these readings of a part, from 20 values on at each place."""
    with database.reading() as connection:
        query = sa.select(series.c.id, *quantity).where(
            series.c.part == name_of(part), series.c.name.in_([name_of(name) for name in names])
        )
        numbers = {number: Quantity(*words) for number, *words in connection.execute(query)}
        found = sums(connection, numbers, [visits.c.simulated.is_(simulated)]) if numbers else []
    return [
        KnownSpread(one.quantity, one.mean, one.deviation, one.count)
        for _, one in found
        if one.deviation is not None and one.count >= _FEWEST
    ]


def risks(points: Sequence[Point]) -> tolerance.Risks | None:
    """Return the shares of units wrongly accepted and refused, if the population is as these points say.

    Normal, with the mean of the values and their scatter less that of the measurement (JCGM 106:2012, 9.5). Limits,
    uncertainty and decision rule are those of the last point. None for fewer than 20 values, without an uncertainty, or
    where the values scatter no more than the measurement does.
    """
    if len(points) < _FEWEST:
        return None
    last, seen = points[-1], type_a([point.value for point in points])
    if not last.uncertainty or (last.low is None and last.high is None):
        return None
    known = last.uncertainty / coverage_factor()
    within = tolerance.Limits(last.low, last.high)
    guard = DecisionRule.read(last.rule).guard_band((Term("combined", known),))
    return tolerance.population_risks(seen.mean, seen.standard_deviation, known, within, guard)


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
            *readings.c["value", "low", "high", "verdict", "uncertainty"],
            visits.c.rule,
        )
        .select_from(newest)
        .join(readings, readings.c.id == newest.c.id)
        .join(visits, visits.c.id == readings.c.visit_id)
        .join(runs, runs.c.id == visits.c.run_id)
        .join(stands, stands.c.id == runs.c.stand_id)
        .join(units, units.c.id == visits.c.unit_id)
        .order_by(*order)
    )
    return [Point(*tuple(row)) for row in connection.execute(query)][::-1]


# -- readings added up by the database -----------------------------------------------------------------


def sums(
    connection: Connection,
    numbers: Mapping[int, Quantity],
    only: Sequence[sa.ColumnElement[bool]],
    *,
    by_stand: bool = False,
) -> list[tuple[int, Spread]]:
    """Add up the series with these ids, for the visits that `only` allows: of all stands, or of each by itself.

    Of each stand by itself the units are not counted.

    Values are counted from the first one of their series: the bare sum of squares would lose all digits of a
    small scatter on a large value (NIST StRD NumAcc4).
    """
    first = sa.select(readings.c.value).where(
        readings.c.series_id == series.c.id, readings.c.value.is_not(None)
    )
    origins = (
        sa.select(series.c.id, first.order_by(readings.c.visit_id).limit(1).scalar_subquery().label("origin"))
        .where(series.c.id.in_(list(numbers)))
        .cte("origins")
        .prefix_with("MATERIALIZED")
    )
    offset = readings.c.value - origins.c.origin
    query = (
        sa.select(
            origins.c.id,
            sa.func.count().label("number"),
            sa.literal(0) if by_stand else sa.func.count(visits.c.unit_id.distinct()),
            origins.c.origin,
            sa.func.sum(offset),
            sa.func.sum(offset * offset),
            sa.func.min(readings.c.value),
            sa.func.max(readings.c.value),
            sa.func.sum(sa.case((readings.c.verdict == "marginal", 1), else_=0)),
            sa.func.sum(sa.case((readings.c.verdict == "fails", 1), else_=0)),
        )
        .select_from(origins)
        .join(readings, readings.c.series_id == origins.c.id)
        .join(visits, visits.c.id == readings.c.visit_id)
        .where(readings.c.value.is_not(None), *only)
        .group_by(origins.c.id, origins.c.origin)
    )
    if by_stand:
        query = query.join(runs, runs.c.id == visits.c.run_id).group_by(runs.c.stand_id)
    return [
        (
            number,
            Spread(
                numbers[number],
                count,
                units,
                _digits(origin + total / count),
                _deviation(count, total, squares),
                *rest,
            ),
        )
        for number, count, units, origin, total, squares, *rest in connection.execute(query)
    ]


def _deviation(count: int, total: float, squares: float) -> float | None:
    if count < 2:  # noqa: PLR2004 - one value does not scatter
        return None
    return _digits(math.sqrt(max(0.0, squares - total * total / count) / (count - 1)))


def _digits(value: float) -> float:
    """Return the value to ten digits: two databases add in different orders."""
    return float(f"{value:.10g}")
