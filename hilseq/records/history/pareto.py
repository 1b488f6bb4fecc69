"""Where and how units of a part fail: the few causes of most failures first."""

from __future__ import annotations

from dataclasses import dataclass

import sqlalchemy as sa

from hilseq.records.database import Database
from hilseq.records.history.scope import findings, of_part, require_part, units, visits


@dataclass(frozen=True, slots=True)
class Cause:
    """One place and kind of failure; `share` is of all findings, `cumulative` up to and with this one."""

    place: str
    stage: str
    kind: str
    findings: int
    units: int
    share: float
    cumulative: float


@dataclass(frozen=True, slots=True)
class Pareto:
    """The causes, commonest first: by units, then by findings."""

    part: str
    blames: str
    simulated: bool
    findings: int
    causes: list[Cause]


def pareto(database: Database, part: str, *, blames: str = "unit", simulated: bool = False) -> Pareto:
    """Return the failures of a part by place and kind; `blames` is `unit` or `stand`.

    Raises UsageError when the part is not in the records.
    """
    query = (
        sa.select(
            findings.c.place,
            findings.c.stage,
            findings.c.kind,
            sa.func.count(),
            sa.func.count(visits.c.unit_id.distinct()),
        )
        .join(visits, visits.c.id == findings.c.visit_id)
        .join(units, units.c.id == visits.c.unit_id)
        .where(of_part(part, simulated=simulated), findings.c.blames == blames)
        .group_by(findings.c.place, findings.c.stage, findings.c.kind)
    )
    with database.reading() as connection:
        require_part(connection, part, simulated=simulated)
        rows = [tuple(row) for row in connection.execute(query)]
    rows.sort(key=lambda row: (-row[4], -row[3], row[:3]))
    total = sum(row[3] for row in rows)
    causes, seen = [], 0
    for place, stage, kind, number, affected in rows:
        seen += number
        causes.append(Cause(place, stage, kind, number, affected, number / total, seen / total))
    return Pareto(part, blames, simulated, total, causes)
