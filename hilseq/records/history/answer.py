"""An answer in every form it is asked for: sentences, tables, drawings, and plain data for programs."""

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
from markupsafe import Markup

from hilseq.reports.sanitize import environment

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
