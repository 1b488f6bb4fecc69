"""A unit's history: every visit, what was found, and the readings that moved."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from hilseq.errors import UsageError
from hilseq.records.database import Database
from hilseq.records.history.answer import Quantity, in_order, quantity
from hilseq.records.tables import checks, findings, name, readings, runs, series, stands, units, visits

#: Readings shown because they moved most, and the number of values that make a movement.
MOST_TRENDS = 8
_LEAST_VALUES = 2


@dataclass(frozen=True, slots=True)
class VisitFinding:
    """One finding of a visit; `blames` is `unit`, `stand` or `link`."""

    place: str
    what: str
    stage: str
    kind: str
    blames: str


@dataclass(frozen=True, slots=True)
class UnitVisit:
    """One visit; `state` says how much of its journal counts, `damage` what is wrong with its soak's samples."""

    run: str
    started: datetime
    stand: str
    simulated: bool
    state: str
    disposition: str
    checks: int
    not_performed: int
    findings: list[VisitFinding]
    damage: str = ""


@dataclass(frozen=True, slots=True)
class TrendPoint:
    """One reading of a trend."""

    started: datetime
    value: float
    low: float | None
    high: float | None
    verdict: str


@dataclass(frozen=True, slots=True)
class ReadingTrend:
    """A reading over the visits, the last value of each; `moved` is its span in widths of its limits."""

    quantity: Quantity
    moved: float
    points: list[TrendPoint]


@dataclass(frozen=True, slots=True)
class UnitHistory:
    """Everything known of one unit, oldest visit first."""

    part: str
    serial: str
    visits: list[UnitVisit]
    trends: list[ReadingTrend]


def unit_history(
    database: Database, serial: str, part: str | None = None, *, simulated: bool = False
) -> list[UnitHistory]:
    """Return the history of the unit with this serial: one per part when several parts share it.

    Of its visits all, or the simulated ones alone. Raises UsageError when there is none.
    """
    query = sa.select(units.c.id, units.c.part).where(units.c.serial == name(serial))
    if part is not None:
        query = query.where(units.c.part == name(part))
    with database.reading() as connection:
        found = sorted((row.part, row.id) for row in connection.execute(query))
        if not found:
            of = f" of part {part!r}" if part else ""
            raise UsageError(
                f"the records hold no unit {serial!r}{of}; import its run: `hilseq records sync`"
            )
        wanted = {row_part: _of(unit_id, simulated=simulated) for row_part, unit_id in found}
        lives = [
            UnitHistory(row_part, name(serial), _visits(connection, which), _trends(connection, which))
            for row_part, which in wanted.items()
        ]
    if simulated and not any(life.visits for life in lives):
        raise UsageError(f"the records hold no simulated visit of unit {serial!r}; leave out --simulated")
    return lives


def visits_of(database: Database, part: str, serial: str) -> list[UnitVisit]:
    """Return the visits of one unit, oldest first; none when the records do not know it."""
    query = sa.select(units.c.id).where(units.c.part == name(part), units.c.serial == name(serial))
    with database.reading() as connection:
        unit_id = connection.execute(query).scalar_one_or_none()
        return [] if unit_id is None else _visits(connection, _of(unit_id))


def _of(unit_id: int, *, simulated: bool = False) -> sa.ColumnElement[bool]:
    """Return what the wanted visits of a unit have in common."""
    return sa.and_(visits.c.unit_id == unit_id, *([visits.c.simulated] if simulated else []))


def _visits(connection: Connection, wanted: sa.ColumnElement[bool]) -> list[UnitVisit]:
    query = (
        sa.select(
            *visits.c["id", "disposition", "damage", "simulated"],
            *runs.c["run", "started", "state"],
            stands.c.name,
        )
        .join(runs, runs.c.id == visits.c.run_id)
        .join(stands, stands.c.id == runs.c.stand_id)
        .where(wanted)
        .order_by(*in_order())
    )
    reported = {row.id: row for row in connection.execute(query)}
    of_unit = sa.select(visits.c.id).where(wanted)
    counts = {
        row.visit_id: (row.all, row.missed)
        for row in connection.execute(
            sa.select(
                checks.c.visit_id,
                sa.func.count().label("all"),
                sa.func.sum(sa.case((checks.c.verdict == "not performed", 1), else_=0)).label("missed"),
            )
            .where(checks.c.visit_id.in_(of_unit))
            .group_by(checks.c.visit_id)
        )
    }
    faults: dict[int, list[VisitFinding]] = {number: [] for number in reported}
    for row in connection.execute(
        sa.select(findings)
        .where(findings.c.visit_id.in_(of_unit))
        .order_by(findings.c.visit_id, findings.c.position)
    ):
        faults[row.visit_id].append(VisitFinding(row.place, row.what, row.stage, row.kind, row.blames))
    return [
        UnitVisit(
            run=row.run,
            started=row.started,
            stand=row.name,
            simulated=row.simulated,
            state=row.state,
            disposition=row.disposition,
            checks=counts.get(number, (0, 0))[0],
            not_performed=counts.get(number, (0, 0))[1],
            findings=faults[number],
            damage=row.damage,
        )
        for number, row in reported.items()
    ]


def _trends(connection: Connection, wanted: sa.ColumnElement[bool]) -> list[ReadingTrend]:
    query = (
        sa.select(*quantity, *visits.c["started", "id"], *readings.c["value", "low", "high", "verdict"])
        .select_from(visits)
        .join(runs, runs.c.id == visits.c.run_id)
        .join(checks, checks.c.visit_id == visits.c.id)
        .join(readings, readings.c.check_id == checks.c.id)
        .join(series, series.c.id == readings.c.series_id)
        .where(wanted, readings.c.value.is_not(None))
        .order_by(*in_order(), readings.c.at, readings.c.id)
    )
    values: dict[Quantity, dict[int, TrendPoint]] = {}
    for *key, started, visit, value, low, high, verdict in connection.execute(query):
        values.setdefault(Quantity(*key), {})[visit] = TrendPoint(started, value, low, high, verdict)
    trends = [
        ReadingTrend(key, _moved(list(points.values())), list(points.values()))
        for key, points in values.items()
        if len(points) >= _LEAST_VALUES
    ]
    trends.sort(key=lambda trend: (-trend.moved, trend.quantity))
    return [trend for trend in trends if trend.moved > 0][:MOST_TRENDS]


def _moved(points: list[TrendPoint]) -> float:
    """Return the span of the values in units of the width of their limits; without limits, of their size."""
    span = max(point.value for point in points) - min(point.value for point in points)
    last = points[-1]
    if last.low is not None and last.high is not None and last.high > last.low:
        return span / (last.high - last.low)
    limit = last.high if last.high is not None else last.low
    size = abs(limit) if limit else max(abs(point.value) for point in points)
    return span / size if size else 0.0
