"""Instruments due for calibration, by the calibration they had when they were last used.

An instrument that was exchanged at its place on the stand is no longer asked for: only the one that was
used there last is.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from enum import StrEnum
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from hilseq.records.database import Database
from hilseq.records.tables import calibrations, instruments, runs, stands, uses


class Due(StrEnum):
    """Where an instrument stands, worst first."""

    OVERDUE = "overdue"
    SOON = "due soon"
    UNKNOWN = "no date"
    VALID = "valid"


@dataclass(frozen=True, slots=True)
class CalibrationDue:
    """One instrument in use; `runs_after_due` counts the runs made with it after its calibration ended."""

    state: Due
    stand: str
    instrument: str
    what: str
    identity: str
    certificate: str
    due: date | None
    last_used: datetime
    runs: int
    runs_after_due: int


def calibrations_due(
    database: Database, today: date, within_days: int = 30, *, simulated: bool = False, every: bool = False
) -> list[CalibrationDue]:
    """Return the instruments that are overdue, due within so many days, or without a date; worst first.

    `every` returns the valid ones too.
    """
    used = (
        sa.select(
            uses.c.calibration_id,
            sa.func.max(runs.c.started).label("last_used"),
            sa.func.count().label("runs"),
        )
        .join(runs, runs.c.id == uses.c.run_id)
        .where(runs.c.simulated.is_(simulated))
        .group_by(uses.c.calibration_id)
        .subquery("used")
    )
    query = (
        sa.select(
            *calibrations.c["id", "certificate", "due"],
            stands.c.name.label("stand"),
            *instruments.c["name", "what", "identity"],
            *used.c["last_used", "runs"],
        )
        .select_from(used)
        .join(calibrations, calibrations.c.id == used.c.calibration_id)
        .join(instruments, instruments.c.id == calibrations.c.instrument_id)
        .join(stands, stands.c.id == instruments.c.stand_id)
    )
    with database.reading() as connection:
        latest: dict[tuple[str, str], Any] = {}
        for row in connection.execute(query):
            kept = latest.get((row.stand, row.name))
            if kept is None or _recency(row) > _recency(kept):
                latest[row.stand, row.name] = row
        found = [_reported(connection, row, today, within_days) for row in latest.values()]
    order = list(Due)
    wanted = [one for one in found if every or one.state is not Due.VALID]
    return sorted(
        wanted, key=lambda one: (order.index(one.state), one.due or date.max, one.stand, one.instrument)
    )


def _recency(row: Any) -> tuple[datetime, str, str, str]:
    return row.last_used, row.due, row.identity, row.certificate


def _reported(connection: Connection, row: Any, today: date, within_days: int) -> CalibrationDue:
    due = _date(row.due)
    if due is None:
        state = Due.UNKNOWN
    elif due < today:
        state = Due.OVERDUE
    else:
        state = Due.SOON if due <= today + timedelta(days=within_days) else Due.VALID
    late = 0
    if due is not None and row.last_used.date() > due:
        after = datetime.combine(due + timedelta(days=1), time(), UTC)
        late = connection.execute(
            sa.select(sa.func.count())
            .select_from(uses)
            .join(runs, runs.c.id == uses.c.run_id)
            .where(uses.c.calibration_id == row.id, runs.c.started >= after)
        ).scalar_one()
    return CalibrationDue(
        state,
        row.stand,
        row.name,
        row.what,
        row.identity,
        row.certificate,
        due,
        row.last_used,
        row.runs,
        late,
    )


def _date(text: str) -> date | None:
    try:
        return date.fromisoformat(text[:10])
    except ValueError:
        return None
