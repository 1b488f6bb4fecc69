"""The data of stand against stand: one value per unit and stand, so that no unit counts twice.

A unit that came back may have been repaired in between; its first visit to each stand is what counts, and of
several readings in that visit the mean.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from hilseq.records.history.scope import Quantity, readings, runs, stands, units, visits


@dataclass(frozen=True, slots=True)
class StandValue:
    """What one stand measured on one unit; `uncertainty` is the expanded one it states, None when unknown."""

    stand: str
    part: str
    serial: str
    at: datetime
    value: float
    uncertainty: float | None


def stand_values(
    connection: Connection, numbers: dict[int, Quantity], among: sa.ColumnElement[bool]
) -> dict[Quantity, list[StandValue]]:
    """Return the values of each series in the order of time; `among` is a condition on visits."""
    # Grouped by numbers alone: what hangs on a visit and its run need not be sorted along.
    per_visit = (
        sa.select(
            readings.c.series_id,
            runs.c.stand_id,
            visits.c.unit_id,
            visits.c.started,
            runs.c.key,
            sa.func.avg(readings.c.value).label("value"),
            sa.func.avg(readings.c.uncertainty).label("uncertainty"),
        )
        .select_from(readings)
        .join(visits, visits.c.id == readings.c.visit_id)
        .join(runs, runs.c.id == visits.c.run_id)
        .where(
            readings.c.series_id.in_(numbers),
            readings.c.value.is_not(None),
            among,
        )
        .group_by(readings.c.series_id, visits.c.id, runs.c.id)
        .subquery("per_visit")
    )
    turn = sa.func.row_number().over(
        partition_by=(per_visit.c.series_id, per_visit.c.stand_id, per_visit.c.unit_id),
        order_by=(per_visit.c.started, per_visit.c.key),
    )
    compose = sa.select(per_visit, turn.label("turn")).subquery("compose")
    query = (
        sa.select(
            compose.c.series_id,
            stands.c.name,
            units.c.part,
            units.c.serial,
            compose.c.started,
            compose.c.value,
            compose.c.uncertainty,
            compose.c.key,
        )
        .join(stands, stands.c.id == compose.c.stand_id)
        .join(units, units.c.id == compose.c.unit_id)
        .where(compose.c.turn == 1)
    )
    values: dict[Quantity, list[tuple[str, StandValue]]] = {}
    for number, stand, part, serial, at, value, uncertainty, key in connection.execute(query):
        # Twelve digits: two databases add in different orders, and ranks must not hang on the last bit.
        rounded = float(f"{value:.12g}")
        told = StandValue(stand, part, serial, at, rounded, uncertainty)
        values.setdefault(numbers[number], []).append((key, told))
    return {
        kept: [told for _, told in sorted(found, key=lambda one: (one[1].at, one[0], one[1].serial))]
        for kept, found in sorted(values.items())
    }
