"""What all units of a part prove together: the probability of a cold start, and the mean time between faults.

Adds up the readings named in `hilseq.records.exposure` over all visits, except those in which the stand
failed: they say nothing about a unit. Pooling takes the units for alike; where a few of them hold most of
the failures, look at those units and not at the sum.
"""

from __future__ import annotations

from dataclasses import dataclass

import sqlalchemy as sa

from hilseq.analysis.proportion import Interval, clopper_pearson, reliability_shown
from hilseq.analysis.reliability import mtbf_interval, mtbf_lower
from hilseq.records.database import Database
from hilseq.records.exposure import FAILED_STARTS, SOAK_FAULTS, SOAK_HOURS, STARTS
from hilseq.records.history.scope import readings, require_part, series, visits
from hilseq.records.text import name
from hilseq.verdicts import Disposition


@dataclass(frozen=True, slots=True)
class Starts:
    """`share` of the starts succeeded; `proven` is the probability exceeded at the one-sided confidence."""

    units: int
    starts: int
    failed: int
    share: float
    interval: Interval
    proven: float


@dataclass(frozen=True, slots=True)
class Soaks:
    """Hours under load and faults in them; `interval.upper` is infinite after no fault."""

    units: int
    hours: float
    faults: int
    interval: Interval
    proven: float


@dataclass(frozen=True, slots=True)
class Pooled:
    """Both, None where nothing of the kind was ever done."""

    part: str
    simulated: bool
    confidence: float
    starts: Starts | None
    soaks: Soaks | None


def pooled(database: Database, part: str, *, confidence: float = 0.95, simulated: bool = False) -> Pooled:
    """Return what the starts and soaks of all units of a part prove at this confidence.

    Raises UsageError when the part is not in the records.
    """
    query = (
        sa.select(series.c.name, sa.func.sum(readings.c.value), sa.func.count(visits.c.unit_id.distinct()))
        .select_from(series)
        .join(readings, readings.c.series_id == series.c.id)
        .join(visits, visits.c.id == readings.c.visit_id)
        .where(
            series.c.part == name(part),
            series.c.name.in_([STARTS, FAILED_STARTS, SOAK_HOURS, SOAK_FAULTS]),
            readings.c.value.is_not(None),
            visits.c.simulated.is_(simulated),
            visits.c.disposition != Disposition.STAND_FAULT,
        )
        .group_by(series.c.name)
    )
    with database.reading() as connection:
        require_part(connection, part, simulated=simulated)
        sums = {what: (float(total), units) for what, total, units in connection.execute(query)}
    return Pooled(part, simulated, confidence, _starts(sums, confidence), _soaks(sums, confidence))


def _starts(sums: dict[str, tuple[float, int]], confidence: float) -> Starts | None:
    total, units = sums.get(STARTS, (0.0, 0))
    starts = round(total)
    failed = min(round(sums.get(FAILED_STARTS, (0.0, 0))[0]), starts)
    if starts < 1:
        return None
    good = starts - failed
    interval = clopper_pearson(good, starts, confidence)
    return Starts(
        units, starts, failed, good / starts, interval, reliability_shown(starts, confidence, failed)
    )


def _soaks(sums: dict[str, tuple[float, int]], confidence: float) -> Soaks | None:
    hours, units = sums.get(SOAK_HOURS, (0.0, 0))
    if hours <= 0:
        return None
    hours = float(f"{hours:.12g}")  # two databases add in different orders
    faults = round(sums.get(SOAK_FAULTS, (0.0, 0))[0])
    interval = mtbf_interval(hours, faults, confidence)
    return Soaks(units, hours, faults, interval, mtbf_lower(hours, faults, confidence))
