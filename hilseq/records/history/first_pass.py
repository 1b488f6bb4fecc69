"""First-pass yield of a part: of the units that were ever judged, how many shipped on the first judgement.

A visit that decided nothing (incomplete, stand fault, a run that did not end) is no pass and no failure: the
next one of that unit counts as its first. Bounds are exact (Clopper-Pearson).
"""

from __future__ import annotations

from dataclasses import dataclass

import sqlalchemy as sa

from hilseq.analysis.proportion import clopper_pearson
from hilseq.records.database import Database
from hilseq.records.history.scope import in_order, of_part, require_part, runs, units, visits
from hilseq.verdicts import Disposition


@dataclass(frozen=True, slots=True)
class FirstPass:
    """`passed` of `units` shipped the first time; the share and its bounds are None when none was judged."""

    part: str
    simulated: bool
    confidence: float
    units: int
    passed: int
    undecided_units: int
    visits: int
    dispositions: dict[str, int]
    share: float | None
    low: float | None
    high: float | None


def first_pass(
    database: Database, part: str, *, confidence: float = 0.95, simulated: bool = False
) -> FirstPass:
    """Return the first-pass yield of a part with its two-sided bounds.

    Raises UsageError when the part is not in the records.
    """
    chosen = of_part(part, simulated=simulated)
    turn = sa.func.row_number().over(partition_by=visits.c.unit_id, order_by=in_order()).label("turn")
    judged = (
        sa.select(visits.c.disposition, turn)
        .join(runs, runs.c.id == visits.c.run_id)
        .join(units, units.c.id == visits.c.unit_id)
        .where(chosen, visits.c.decided)
        .subquery()
    )
    first = (
        sa.select(judged.c.disposition, sa.func.count())
        .where(judged.c.turn == 1)
        .group_by(judged.c.disposition)
    )
    of_visits = visits.join(units, units.c.id == visits.c.unit_id)
    all_units = sa.select(sa.func.count(visits.c.unit_id.distinct())).select_from(of_visits).where(chosen)
    every = (
        sa.select(visits.c.disposition, sa.func.count())
        .select_from(of_visits)
        .where(chosen)
        .group_by(visits.c.disposition)
    )
    with database.reading() as connection:
        require_part(connection, part, simulated=simulated)
        counts: dict[str, int] = dict(connection.execute(first).all())
        seen = connection.execute(all_units).scalar_one()
        dispositions: dict[str, int] = dict(connection.execute(every).all())
    passed, total = counts.get(Disposition.SHIP, 0), sum(counts.values())
    bounds = clopper_pearson(passed, total, confidence) if total else None
    return FirstPass(
        part=part,
        simulated=simulated,
        confidence=confidence,
        units=total,
        passed=passed,
        undecided_units=seen - total,
        visits=sum(dispositions.values()),
        dispositions={str(one): dispositions[one] for one in Disposition if one in dispositions},
        share=passed / total if total else None,
        low=bounds.lower if bounds else None,
        high=bounds.upper if bounds else None,
    )
