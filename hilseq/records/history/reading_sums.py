"""Readings added up by the database: how many, how large, how scattered, series by series."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from hilseq.records.history.scope import readings, runs, series, visits


@dataclass(frozen=True, slots=True)
class Sums:
    """One series, on one stand (`units` are not counted then, `stand_id` is not 0) or on all.

    `deviation` is the sample standard deviation, None for a single value.
    """

    series_id: int
    stand_id: int
    count: int
    units: int
    mean: float
    deviation: float | None
    least: float
    greatest: float
    marginal: int
    failed: int


def sums(
    connection: Connection,
    numbers: Iterable[int],
    only: Sequence[sa.ColumnElement[bool]],
    *,
    by_stand: bool = False,
) -> list[Sums]:
    """Add up the series with these ids, for the visits that `only` allows.

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
    stand = runs.c.stand_id if by_stand else sa.literal(0)
    offset = readings.c.value - origins.c.origin
    query = (
        sa.select(
            origins.c.id,
            stand.label("stand_id"),
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
        Sums(
            series_id,
            stand_id,
            count,
            units,
            _digits(origin + total / count),
            _deviation(count, total, squares),
            *rest,
        )
        for series_id, stand_id, count, units, origin, total, squares, *rest in connection.execute(query)
    ]


def _deviation(count: int, total: float, squares: float) -> float | None:
    if count < 2:  # noqa: PLR2004 - one value does not scatter
        return None
    return _digits(math.sqrt(max(0.0, squares - total * total / count) / (count - 1)))


def _digits(value: float) -> float:
    """Return the value to ten digits: two databases add in different orders."""
    return float(f"{value:.10g}")
