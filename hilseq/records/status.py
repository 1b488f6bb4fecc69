"""What is in the records, and what waits outside."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import sqlalchemy as sa

from hilseq.records.database import Database
from hilseq.records.models import Base, Reading, Run, SoakMinute, Stand, Unit, Visit
from hilseq.records.synchronising import waiting_in
from hilseq.records.upgrading import revision
from hilseq.records.upsert import table_of

_COUNTED: tuple[type[Base], ...] = (Stand, Unit, Run, Visit, Reading, SoakMinute)


@dataclass(frozen=True, slots=True)
class Status:
    """`rows` counts tables; `states` counts runs by the state of their journal; `waiting` are not in yet."""

    address: str
    revision: str
    rows: dict[str, int]
    states: dict[str, int]
    last_run: datetime | None
    waiting: list[Path]


def status(database: Database, folder: Path | None = None) -> Status:
    """Return what the records hold, and which journals under a folder are not in them."""
    run = table_of(Run)
    by_state = sa.select(run.c.state, sa.func.count()).group_by(run.c.state)
    with database.reading() as connection:
        found = revision(connection) or "none"
        rows = {
            model.__tablename__: connection.execute(
                sa.select(sa.func.count()).select_from(table_of(model))
            ).scalar_one()
            for model in _COUNTED
        }
        states: dict[str, int] = dict(connection.execute(by_state).all())
        last = connection.execute(sa.select(sa.func.max(run.c.started))).scalar()
    waiting = waiting_in(database, folder) if folder is not None and folder.is_dir() else []
    return Status(str(database), found, rows, dict(sorted(states.items())), last, waiting)
