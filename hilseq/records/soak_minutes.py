"""The minutes of a soak: of each signal how many samples, min, mean and max, from the sample file of the run."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from itertools import islice
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from hilseq.analysis.decimation import decimate
from hilseq.journal.run_state import RunState
from hilseq.journal.samples import read_samples
from hilseq.journal.seals import sample_file
from hilseq.records.tables import insert_for, soak_minutes
from hilseq.records.text import name

#: (minute since the soak's start, signal, number of samples, min, mean, max)
Rollup = tuple[int, str, int, float, float, float]
_MINUTE = 60.0
_COLUMNS = ("minute", "signal", "count", "min", "mean", "max")
_BATCH = 5000


def rollups_in(run: RunState, folder: Path, wrong: Mapping[str, str]) -> list[Rollup]:
    """Return the minutes of every soak of a run; `wrong` is what is wrong with its sample files, by slot.

    Only samples that the journal has sealed count, and only where the seal still fits: a file that was
    changed afterwards gives nothing, and neither does one that this copy of the run does not have.
    """
    rows: list[Rollup] = []
    for unit in run.units:
        soak = unit.soak
        if soak is not None and soak.sealed is not None and unit.slot not in wrong:
            prefix = f"{unit.slot}: " if len(run.units) > 1 else ""
            rows += _minutes(sample_file(folder, soak), soak.sealed.count, soak.started.zero, prefix)
    return rows


def _minutes(file: Path, count: int, zero: float, prefix: str) -> Iterator[Rollup]:
    samples = read_samples(file)
    times = samples.times[:count] - zero
    if not times.size or times[-1] < 0:
        return
    minutes = int(times[-1] // _MINUTE) + 1
    for number, column in enumerate(samples.columns):
        buckets = decimate(times, samples.values[:count, number], (0.0, minutes * _MINUTE), minutes)
        parts = (buckets.count, buckets.low, buckets.mean, buckets.high)
        for minute, (taken, *values) in enumerate(zip(*(part.tolist() for part in parts), strict=True)):
            if taken:
                yield (minute, f"{prefix}{column}", int(taken), *values)


def keep_rollups(connection: Connection, run_id: int, rows: Iterable[Rollup]) -> int:
    """Keep the roll-ups of a run by its id, in the transaction of the connection."""
    insert = insert_for(connection, soak_minutes)
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
    return (
        connection.execute(
            sa.select(soak_minutes.c.run_id).where(soak_minutes.c.run_id == run_id).limit(1)
        ).first()
        is not None
    )
