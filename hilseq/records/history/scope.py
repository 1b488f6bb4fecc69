"""Which visits a question is about: those of one part, on hardware or simulated."""

from __future__ import annotations

from dataclasses import dataclass

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from hilseq.errors import UsageError
from hilseq.records.models import (
    Calibration,
    Check,
    Finding,
    Instrument,
    Reading,
    Run,
    Series,
    Stand,
    Unit,
    Use,
    Visit,
)
from hilseq.records.text import name
from hilseq.records.upsert import table_of


@dataclass(frozen=True, slots=True, order=True)
class Quantity:
    """What a reading measures: its name, the place, the check that takes it, and the unit of measure."""

    name: str
    place: str
    stage: str
    kind: str
    unit: str


stands, units, runs, visits = (table_of(model) for model in (Stand, Unit, Run, Visit))
checks, findings, series, readings = (table_of(model) for model in (Check, Finding, Series, Reading))
instruments, calibrations, uses = (table_of(model) for model in (Instrument, Calibration, Use))
#: The columns of a Quantity.
quantity = (series.c.name, series.c.place, series.c.stage, series.c.kind, series.c.unit)


def of_part(part: str, *, simulated: bool) -> sa.ColumnElement[bool]:
    """Return the condition on units and visits: this part, and the one kind of run."""
    return sa.and_(units.c.part == name(part), visits.c.simulated.is_(simulated))


def in_order() -> tuple[sa.ColumnElement[object], ...]:
    """Return the order of visits in time; the run's key decides between visits of one instant."""
    return visits.c.started, runs.c.key


def require_part(connection: Connection, part: str, *, simulated: bool) -> None:
    """Raise UsageError, with the next step, when the part was never on a stand in this kind of run."""
    query = (
        sa.select(visits.c.simulated, sa.func.count())
        .join(units, units.c.id == visits.c.unit_id)
        .where(units.c.part == name(part))
        .group_by(visits.c.simulated)
    )
    found = {bool(kind): number for kind, number in connection.execute(query)}
    if simulated in found:
        return
    if found:
        words = "simulated" if found.get(True) else "on hardware"
        switch = "add --simulated" if found.get(True) else "leave --simulated away"
        raise UsageError(f"all {sum(found.values())} visits of part {part!r} are {words}: {switch}")
    known = sorted(connection.execute(sa.select(units.c.part).distinct()).scalars())
    there = f"there are {', '.join(known[:8])}" if known else "they are empty: run `hilseq records sync`"
    raise UsageError(f"the records hold no part {part!r}; {there}")
