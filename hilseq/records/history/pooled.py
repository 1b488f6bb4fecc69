"""What all units of a part prove together: the probability of a cold start, and the mean time between faults.

Adds up what `hilseq.records.exposure` reads from each visit, except those in which the stand failed: they say
nothing about a unit. Pooling takes the units for alike; where a few of them hold most of
the failures, look at those units and not at the sum.
"""

from __future__ import annotations

from dataclasses import dataclass

import sqlalchemy as sa

from hilseq.analysis.proportion import Interval, clopper_pearson, reliability_shown
from hilseq.analysis.reliability import mtbf_interval, mtbf_lower
from hilseq.records.database import Database
from hilseq.records.exposure import COLD_STARTS, SOAK_HOURS
from hilseq.records.history.scope import exposures, of_part, require_part, units, visits
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
    # Hours whose samples are damaged prove nothing; what failed in them stands in the journal all the same.
    unproven = (exposures.c.what == SOAK_HOURS) & (visits.c.damage != "")
    query = (
        sa.select(
            exposures.c.what,
            sa.func.sum(sa.case((unproven, 0.0), else_=exposures.c.amount)),
            sa.func.sum(exposures.c.failures),
            sa.func.count(visits.c.unit_id.distinct()),
        )
        .select_from(exposures)
        .join(visits, visits.c.id == exposures.c.visit_id)
        .join(units, units.c.id == visits.c.unit_id)
        .where(of_part(part, simulated=simulated), visits.c.disposition != Disposition.STAND_FAULT)
        .group_by(exposures.c.what)
    )
    with database.reading() as connection:
        require_part(connection, part, simulated=simulated)
        sums = {
            what: (float(amount), int(failures), affected)
            for what, amount, failures, affected in connection.execute(query)
        }
    nothing = (0.0, 0, 0)
    return Pooled(
        part,
        simulated,
        confidence,
        _starts(*sums.get(COLD_STARTS, nothing), confidence),
        _soaks(*sums.get(SOAK_HOURS, nothing), confidence),
    )


def _starts(amount: float, failed: int, of_units: int, confidence: float) -> Starts | None:
    starts = round(amount)
    if starts < 1:
        return None
    good = starts - failed
    interval = clopper_pearson(good, starts, confidence)
    proven = reliability_shown(starts, confidence, failed)
    return Starts(of_units, starts, failed, good / starts, interval, proven)


def _soaks(amount: float, faults: int, of_units: int, confidence: float) -> Soaks | None:
    if amount <= 0:
        return None
    hours = float(f"{amount:.12g}")  # two databases add in different orders
    interval = mtbf_interval(hours, faults, confidence)
    return Soaks(of_units, hours, faults, interval, mtbf_lower(hours, faults, confidence))
