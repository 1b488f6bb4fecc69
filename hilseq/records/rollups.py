"""Minute roll-ups of soak samples: kept beside the journal's rows, from the sample file of the run."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import islice

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from hilseq.errors import UsageError
from hilseq.records.database import Database
from hilseq.records.models import Run, SoakMinute
from hilseq.records.soak_samples import Rollup
from hilseq.records.text import name
from hilseq.records.upsert import insert_for, table_of

_COLUMNS = ("minute", "signal", "count", "min", "mean", "max")
_BATCH = 5000


def store_rollups(database: Database, run_key: str, rows: Iterable[Rollup]) -> int:
    """Keep the roll-ups of a run; a minute that is there already is replaced. Return how many were given.

    `run_key` is the `key` of `Imported`. Raises UsageError when that run is not in the records. Importing a
    run does this by itself where the sample files lie beside the journal.
    """
    with database.writing() as connection:
        run = table_of(Run)
        run_id = connection.execute(
            sa.select(run.c.id).where(run.c.key == run_key).with_for_update()
        ).scalar_one_or_none()
        if run_id is None:
            raise UsageError(
                f"run {run_key[:12]}… is not in the records at {database}; import its journal first"
            )
        return keep_rollups(connection, run_id, rows)


def keep_rollups(connection: Connection, run_id: int, rows: Iterable[Rollup]) -> int:
    """Keep the roll-ups of a run by its id, in the transaction of the connection."""
    insert = insert_for(connection, SoakMinute)
    insert = insert.on_conflict_do_update(
        index_elements=["run_id", "signal", "minute"],
        set_={column: insert.excluded[column] for column in ("count", "min", "mean", "max")},
    )
    remaining, given = iter(rows), 0
    while batch := list(islice(remaining, _BATCH)):
        values = [dict(zip(_COLUMNS, row, strict=True)) for row in batch]
        connection.execute(
            insert, [{**row, "signal": name(row["signal"]), "run_id": run_id} for row in values]
        )
        given += len(batch)
    return given


def has_rollups(connection: Connection, run_id: int) -> bool:
    """Tell whether a run has any."""
    soak = table_of(SoakMinute)
    return (
        connection.execute(sa.select(soak.c.run_id).where(soak.c.run_id == run_id).limit(1)).first()
        is not None
    )


def rollups_of(database: Database, run_key: str, signal: str | None = None) -> list[Rollup]:
    """Return the roll-ups of a run, by signal and minute."""
    run, soak = table_of(Run), table_of(SoakMinute)
    query = (
        sa.select(*(soak.c[column] for column in _COLUMNS))
        .join(run, run.c.id == soak.c.run_id)
        .where(run.c.key == run_key)
    )
    if signal is not None:
        query = query.where(soak.c.signal == name(signal))
    with database.reading() as connection:
        rows: list[Rollup] = [
            (minute, signal, count, least, mean, greatest)
            for minute, signal, count, least, mean, greatest in connection.execute(query)
        ]
    return sorted(rows, key=lambda row: (row[1], row[0]))
