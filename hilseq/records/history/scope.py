"""Which visits a question is about: those of one part, on hardware or simulated."""

from __future__ import annotations

from dataclasses import dataclass

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from hilseq.errors import UsageError
from hilseq.records.tables import runs, series, stands, units, visits
from hilseq.records.text import name as name_of
from hilseq.reports.formatting import join_truncated


@dataclass(frozen=True, slots=True, order=True)
class Quantity:
    """What a reading measures: its name, the place, the check that takes it, and the unit of measure."""

    name: str
    place: str
    stage: str
    kind: str
    unit: str


#: The columns of a Quantity.
quantity = (series.c.name, series.c.place, series.c.stage, series.c.kind, series.c.unit)


def of_part(part: str, *, simulated: bool) -> sa.ColumnElement[bool]:
    """Return the condition on units and visits: this part, and the one kind of run."""
    return sa.and_(units.c.part == name_of(part), visits.c.simulated.is_(simulated))


def last_visits(part: str, last: int, *, simulated: bool) -> sa.ColumnElement[bool]:
    """Return the condition on visits: among the last so many of this part."""
    recent = (
        sa.select(visits.c.id)
        .join(units, units.c.id == visits.c.unit_id)
        .join(runs, runs.c.id == visits.c.run_id)
        .where(of_part(part, simulated=simulated))
        .order_by(visits.c.started.desc(), runs.c.key.desc())
        .limit(last)
    )
    return visits.c.id.in_(recent)


def in_order() -> tuple[sa.ColumnElement[object], ...]:
    """Return the order of visits in time; the run's key decides between visits of one instant."""
    return visits.c.started, runs.c.key


def require_part(connection: Connection, part: str, *, simulated: bool) -> None:
    """Raise UsageError, with the next step, when the part was never on a stand in this kind of run."""
    query = (
        sa.select(visits.c.simulated, sa.func.count())
        .join(units, units.c.id == visits.c.unit_id)
        .where(units.c.part == name_of(part))
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
    there = f"there are {_some(known)}" if known else "they are empty: run `hilseq records sync`"
    raise UsageError(f"the records hold no part {part!r}; {there}")


def series_of(connection: Connection, part: str, name: str, place: str | None) -> dict[int, Quantity]:
    """Return the series of a reading by their ids. Raises UsageError, with the nearest words, when none."""
    query = sa.select(series.c.id, *quantity).where(series.c.part == name_of(part))
    named = query.where(series.c.name == name_of(name))
    found = {number: Quantity(*words) for number, *words in connection.execute(named)}
    if not found:
        known = sorted(
            connection.execute(
                sa.select(series.c.name).distinct().where(series.c.part == name_of(part))
            ).scalars()
        )
        raise UsageError(f"part {part!r} has no reading {name!r}; it has {_some(known)}")
    here = {number: kept for number, kept in found.items() if place in (None, kept.place)}
    if not here:
        places = sorted({kept.place for kept in found.values()})
        raise UsageError(f"reading {name!r} was never taken at {place!r}; it was at {_some(places)}")
    return here


def _some(words: list[str]) -> str:
    return join_truncated(words, 12) or "none at all"


def stand_id(connection: Connection, stand: str) -> int:
    """Return the id of a stand by its name. Raises UsageError, with the stands there are."""
    query = sa.select(stands.c.name, stands.c.id)
    known: dict[str, int] = dict(connection.execute(query).all())
    if name_of(stand) not in known:
        raise UsageError(f"the records hold no stand {stand!r}; there are {_some(sorted(known))}")
    return known[name_of(stand)]
