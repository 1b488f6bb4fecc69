"""A question to the records and its answer in every form: sentences, tables, drawings, plain data for programs.

Which visits a question is about: those of one part, on hardware or simulated.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, is_dataclass
from datetime import UTC, date, datetime
from functools import cache
from pathlib import Path
from typing import Any

import jinja2
import sqlalchemy as sa
from markupsafe import Markup
from sqlalchemy.engine import Connection

from hilseq.errors import UsageError
from hilseq.records.tables import name as name_of
from hilseq.records.tables import runs, series, stands, units, visits
from hilseq.reports.formatting import join_truncated
from hilseq.reports.sanitize import environment


class Share(float):
    """A part of a whole, 0 to 1, which people read in per cent."""


Cell = str | int | float | datetime | date | None

#: A spreadsheet takes a text that begins so for a formula.
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True, slots=True)
class AnswerTable:
    """Rows under named columns; numbers as they are, dates in UTC.

    `brief` names the columns shown where room is short; empty for all.
    """

    title: str
    columns: tuple[str, ...]
    rows: Sequence[tuple[Cell, ...]]
    empty: str = "none"
    brief: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer to one question; the first table is the one that CSV holds."""

    title: str
    sentences: list[str]
    tables: list[AnswerTable]
    drawings: list[Markup] = field(default_factory=list)
    data: Any = None


def percent(share: float, digits: int = 1) -> str:
    """Return `80.4 %`."""
    return f"{100 * share:.{digits}f} %"


def show(cell: Cell) -> str:
    """Return a cell as people read it."""
    match cell:
        case None:
            return ""
        case datetime():
            return f"{cell.astimezone(UTC):%Y-%m-%d %H:%M}"
        case Share():
            return percent(cell)
        case float():
            return f"{cell:.4g}"
        case _:
            return str(cell)


def as_csv(answer: Answer) -> str:
    """Return the first table as CSV (RFC 4180); an apostrophe disarms text that a spreadsheet would run."""
    table = answer.tables[0]
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(table.columns)
    writer.writerows([_csv_cell(cell) for cell in row] for row in table.rows)
    return out.getvalue()


def _csv_cell(cell: Cell) -> Cell:
    if isinstance(cell, datetime):
        return cell.astimezone(UTC).isoformat(timespec="seconds")
    if isinstance(cell, str) and cell.startswith(_FORMULA):
        return f"'{cell}"
    return cell


def as_json(answer: Answer) -> str:
    """Return the answer's data as JSON; what is not finite is null."""
    return json.dumps(plain(answer.data), indent=2, ensure_ascii=False, allow_nan=False)


def plain(value: Any) -> Any:
    """Return dataclasses (with their properties), dates and numbers as JSON can hold them."""
    if is_dataclass(value) and not isinstance(value, type):
        names = [one.name for one in fields(value)]
        names += [name for name, kind in vars(type(value)).items() if isinstance(kind, property)]
        return {name: plain(getattr(value, name)) for name in names}
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    return _plain_leaf(value)


def _plain_leaf(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat(timespec="milliseconds")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Path):
        return str(value)
    return None if isinstance(value, float) and not math.isfinite(value) else value


# -- as a page -----------------------------------------------------------------------------------------

#: A page is for reading; CSV and JSON hold everything.
MOST_ROWS = 500


@cache
def _environment() -> jinja2.Environment:
    return environment("hilseq.records.history")


def render(answer: Answer, address: str, when: datetime | None = None) -> str:
    """Return the page; `address` names the records, without a password."""
    moment = (when or datetime.now(UTC)).astimezone(UTC)
    template = _environment().get_template("history.html.j2")
    return template.render(
        answer=answer, address=address, show=show, most_rows=MOST_ROWS, when=f"{moment:%Y-%m-%d %H:%M} UTC"
    )


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
