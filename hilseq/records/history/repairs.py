"""Which action cured what: units that came back from a repair, and whether they then shipped.

A repair is named by the intake of the visit after it (`repair: memory battery`). Each unit counts once for each
action: at its first decided visit after it, and only where the visit before had sent it to repair. Bounds are exact
(Clopper-Pearson).
"""

from __future__ import annotations

import json
from collections import defaultdict
from dataclasses import dataclass

import sqlalchemy as sa

from hilseq.analysis.counted import clopper_pearson
from hilseq.journal.entries import ENOUGH_REPAIRS
from hilseq.records.database import Database
from hilseq.records.history.answer import in_order, of_part
from hilseq.records.tables import runs, units, visits
from hilseq.verdicts import Disposition

#: Key of the intake that names what was done.
_REPAIR = "repair"


@dataclass(frozen=True, slots=True)
class RepairCount:
    """Of `units` that an action was done to, so many were `cured`: they shipped at their next decided visit."""

    action: str
    units: int
    cured: int


@dataclass(frozen=True, slots=True)
class CureRate:
    """An action that was done to enough units, with the exact two-sided bounds of its share."""

    action: str
    units: int
    cured: int
    share: float
    low: float
    high: float


def repairs(database: Database, part: str, *, simulated: bool = False) -> list[RepairCount]:
    """Return for each action how many units of a part it was done to, and how many it cured, commonest first."""
    query = (
        sa.select(visits.c.unit_id, visits.c.disposition, visits.c.intake)
        .join(runs, runs.c.id == visits.c.run_id)
        .join(units, units.c.id == visits.c.unit_id)
        .where(of_part(part, simulated=simulated), visits.c.decided)
        .order_by(visits.c.unit_id, *in_order())
    )
    before: dict[int, str] = {}
    cured: dict[str, dict[int, bool]] = defaultdict(dict)
    with database.reading() as connection:
        for unit, disposition, intake in connection.execute(query):
            action = _action(intake)
            if action and before.get(unit) == Disposition.REPAIR:
                cured[action].setdefault(unit, disposition == Disposition.SHIP)
            before[unit] = disposition
    counts = [RepairCount(action, len(of), sum(of.values())) for action, of in cured.items()]
    return sorted(counts, key=lambda one: (-one.units, one.action))


def cure_rates(
    database: Database, part: str, *, confidence: float = 0.95, simulated: bool = False
) -> list[CureRate]:
    """Return the actions that were done to enough units of a part, commonest first, with bounds."""
    found = []
    for one in repairs(database, part, simulated=simulated):
        if one.units >= ENOUGH_REPAIRS:
            bounds = clopper_pearson(one.cured, one.units, confidence)
            share = one.cured / one.units
            found.append(CureRate(one.action, one.units, one.cured, share, bounds.lower, bounds.upper))
    return found


def _action(intake: str) -> str:
    try:
        reported = json.loads(intake)
    except (ValueError, RecursionError):
        return ""
    return str(reported.get(_REPAIR, "")).strip().lower() if isinstance(reported, dict) else ""
