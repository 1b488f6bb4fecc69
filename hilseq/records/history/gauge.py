"""How well the stands measure: a gauge study of the units that were measured several times in several slots."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import sqlalchemy as sa

from hilseq.analysis.gauge import GaugeStudy, gauge_study
from hilseq.errors import UsageError
from hilseq.records.database import Database
from hilseq.records.history.answer import Quantity, in_order, require_part, series_of
from hilseq.records.tables import readings, runs, series, stands, units, visits

#: Fewest units, slots and repeats of a study.
_FEWEST = 2

_Cells = dict[str, dict[str, list[float]]]


@dataclass(frozen=True, slots=True)
class SlotGauge:
    """The study of one reading at one place: which units, which slots, how often each; `width` is that of its limits.

    `width` is None where it has not two limits.
    """

    quantity: Quantity
    study: GaugeStudy
    units: tuple[str, ...]
    slots: tuple[str, ...]
    repeats: int
    width: float | None


def gauge(
    database: Database,
    part: str,
    name: str,
    *,
    place: str | None = None,
    by_stand: bool = False,
    simulated: bool = False,
) -> list[SlotGauge]:
    """Return the study of a reading of a part at each of its places, over slots, or over whole stands.

    Only units that were measured twice or more in every slot of the study take part, with the last readings, as many of
    each. Raises UsageError where no place has two such units and two slots.
    """
    with database.reading() as connection:
        require_part(connection, part, simulated=simulated)
        numbers = series_of(connection, part, name, place)
        query = (
            sa.select(
                series.c.id, units.c.serial, stands.c.name, visits.c.slot, readings.c.value,
                readings.c.low, readings.c.high,
            )
            .select_from(readings)
            .join(series, series.c.id == readings.c.series_id)
            .join(visits, visits.c.id == readings.c.visit_id)
            .join(runs, runs.c.id == visits.c.run_id)
            .join(stands, stands.c.id == runs.c.stand_id)
            .join(units, units.c.id == visits.c.unit_id)
            .where(series.c.id.in_(list(numbers)), readings.c.value.is_not(None), visits.c.simulated.is_(simulated))
            .order_by(*in_order(), readings.c.id)
        )  # fmt: skip
        rows = list(connection.execute(query))
    cells: dict[int, _Cells] = {}
    widths: dict[int, float | None] = {}
    for number, serial, stand, slot, value, low, high in rows:
        where = stand if by_stand else f"{stand}, slot {slot}"
        cells.setdefault(number, {}).setdefault(where, {}).setdefault(serial, []).append(value)
        widths[number] = None if low is None or high is None else high - low
    found = [
        study
        for number, own in cells.items()
        if (study := _study(numbers[number], own, widths[number])) is not None
    ]
    if not found:
        what = "stands" if by_stand else "slots"
        raise UsageError(
            f"{name!r} of {part!r} has no gauge study: no two units were measured twice or more in the same two "
            f"{what}. Make at least two visits of each of some units in each of some {what}"
        )
    return sorted(found, key=lambda one: one.quantity)


def _study(quantity: Quantity, cells: _Cells, width: float | None) -> SlotGauge | None:
    """Return the study of those slots that leave it most readings; None where two of each are not there."""
    enough = {
        where: {serial for serial, values in units.items() if len(values) >= _FEWEST}
        for where, units in cells.items()
    }
    best: tuple[int, list[str], list[str]] | None = None
    chosen = sorted(enough, key=lambda where: (-len(enough[where]), where))
    for count in range(_FEWEST, len(chosen) + 1):
        slots = chosen[:count]
        shared = sorted(set.intersection(*(enough[where] for where in slots)))
        if len(shared) >= _FEWEST and (best is None or len(shared) * count > best[0]):
            best = (len(shared) * count, slots, shared)
    if best is None:
        return None
    _, slots, shared = best
    repeats = min(len(cells[where][serial]) for where in slots for serial in shared)
    study = gauge_study([[_last(cells[where], serial, repeats) for where in slots] for serial in shared])
    return SlotGauge(quantity, study, tuple(shared), tuple(slots), repeats, width)


def _last(units_there: Mapping[str, list[float]], serial: str, count: int) -> list[float]:
    return units_there[serial][-count:]
