"""Units retested until they passed: a fault that comes and goes is not mended by asking again.

Between two releases of a unit (or since its first visit), visits that failed and a later one that passed.
What was done to the unit in between stands in no journal: a repair explains it, a second try does not. The
shorter the time between the failure and the pass, the less a repair explains.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from hilseq.records.database import Database
from hilseq.records.tables import findings, runs, units, visits
from hilseq.records.text import name
from hilseq.verdicts import Disposition


@dataclass(frozen=True, slots=True)
class Retested:
    """One unit and one release: `failed` and `undecided` visits before it, where they failed."""

    part: str
    serial: str
    failed: int
    undecided: int
    last_failed: datetime
    passed: datetime
    hours_between: float
    places: list[str]


def retested(database: Database, part: str | None = None, *, simulated: bool = False) -> list[Retested]:
    """Return the units that passed after failing, those that passed soonest after it first."""
    cycles = _cycles(part, simulated=simulated)
    shipped = cycles.c.disposition == Disposition.SHIP
    repair = cycles.c.disposition == Disposition.REPAIR
    query = (
        sa.select(
            cycles.c.unit_id,
            cycles.c.cycle,
            units.c.part,
            units.c.serial,
            sa.func.sum(sa.case((repair, 1), else_=0)).label("failed"),
            sa.func.sum(sa.case((sa.or_(repair, shipped), 0), else_=1)).label("undecided"),
            sa.func.min(sa.case((repair, cycles.c.started))).label("first_failed"),
            sa.func.max(sa.case((repair, cycles.c.started))).label("last_failed"),
            sa.func.max(sa.case((shipped, cycles.c.started))).label("passed"),
        )
        .join(units, units.c.id == cycles.c.unit_id)
        .group_by(cycles.c.unit_id, cycles.c.cycle, units.c.part, units.c.serial)
        .having(sa.func.sum(sa.case((repair, 1), else_=0)) > 0)
        .having(sa.func.sum(sa.case((shipped, 1), else_=0)) > 0)
    )
    with database.reading() as connection:
        rows = connection.execute(query).all()
        places = _places(connection, simulated=simulated) if rows else {}
    found = [
        Retested(
            row.part,
            row.serial,
            row.failed,
            row.undecided,
            row.last_failed,
            row.passed,
            round((row.passed - row.last_failed).total_seconds() / 3600, 3),
            sorted(
                {
                    place
                    for started, place in places.get(row.unit_id, ())
                    if row.first_failed <= started <= row.last_failed
                }
            ),
        )
        for row in rows
    ]
    return sorted(found, key=lambda one: (one.hours_between, one.part, one.serial, one.passed))


def _cycles(part: str | None, *, simulated: bool) -> sa.CTE:
    """Return the visits, each with the number of releases of its unit before it."""
    earlier_releases = sa.func.coalesce(
        sa.func.sum(sa.case((visits.c.disposition == Disposition.SHIP, 1), else_=0)).over(
            partition_by=visits.c.unit_id, order_by=(visits.c.started, runs.c.key), rows=(None, -1)
        ),
        0,
    )
    query = (
        sa.select(
            visits.c.id,
            visits.c.unit_id,
            visits.c.disposition,
            visits.c.started,
            earlier_releases.label("cycle"),
        )
        .join(runs, runs.c.id == visits.c.run_id)
        .where(visits.c.simulated.is_(simulated))
    )
    if part is not None:
        query = query.join(units, units.c.id == visits.c.unit_id).where(units.c.part == name(part))
    return query.cte("cycles")


def _places(connection: Connection, *, simulated: bool) -> dict[int, list[tuple[datetime, str]]]:
    """Return when and where each unit failed."""
    query = (
        sa.select(visits.c.unit_id, visits.c.started, findings.c.place)
        .join(findings, findings.c.visit_id == visits.c.id)
        .where(visits.c.disposition == Disposition.REPAIR, visits.c.simulated.is_(simulated))
    )
    places: dict[int, list[tuple[datetime, str]]] = {}
    for unit_id, started, place in connection.execute(query):
        places.setdefault(unit_id, []).append((started, place))
    return places
