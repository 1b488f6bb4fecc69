"""Earlier runs of the same unit, for the report page."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa

from hilseq.records.database import Database
from hilseq.records.models import Finding, Run, Stand, Unit, Visit
from hilseq.records.text import name
from hilseq.records.upsert import table_of


def earlier_runs(database: Database, part: str, serial: str, before: datetime | str) -> list[dict[str, Any]]:
    """Return the unit's visits that started before an instant, newest first.

    Each is a dict of `run`, `date` (ISO 8601, UTC), `stand`, `disposition`, `simulated` and `findings`, a
    list of dicts of `place` and `what`.
    """
    moment = datetime.fromisoformat(before) if isinstance(before, str) else before
    moment = moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment
    unit, run, visit, stand = (table_of(model) for model in (Unit, Run, Visit, Stand))
    finding = table_of(Finding)
    visits = (
        sa.select(
            visit.c.id, visit.c.started, visit.c.disposition, visit.c.simulated, run.c.run, stand.c.name
        )
        .join(unit, unit.c.id == visit.c.unit_id)
        .join(run, run.c.id == visit.c.run_id)
        .join(stand, stand.c.id == run.c.stand_id)
        .where(unit.c.part == name(part), unit.c.serial == name(serial), visit.c.started < moment)
        .order_by(visit.c.started.desc(), run.c.key)
    )
    with database.reading() as connection:
        found = connection.execute(visits).all()
        findings: dict[int, list[dict[str, str]]] = {row.id: [] for row in found}
        if findings:
            query = (
                sa.select(finding.c.visit_id, finding.c.place, finding.c.what)
                .where(finding.c.visit_id.in_(findings))
                .order_by(finding.c.visit_id, finding.c.position)
            )
            for row in connection.execute(query):
                findings[row.visit_id].append({"place": row.place, "what": row.what})
    return [
        {
            "run": row.run,
            "date": row.started.isoformat(timespec="seconds"),
            "stand": row.name,
            "disposition": row.disposition,
            "simulated": row.simulated,
            "findings": findings[row.id],
        }
        for row in found
    ]
