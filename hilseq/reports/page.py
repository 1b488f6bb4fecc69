"""The page of one unit: one self-contained HTML text, made from the record of its run alone."""

from __future__ import annotations

from functools import cache
from typing import Any

import jinja2
from markupsafe import Markup

from hilseq.reports.record import RunRecord, UnitRecord
from hilseq.reports.visible import visible


def _finalize(value: Any) -> Any:
    """Make hostile text visible in every expression of every template; escaping follows by itself."""
    return value if isinstance(value, Markup) else visible("" if value is None else value)


@cache
def _environment() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.PackageLoader("hilseq.reports"),
        autoescape=True,
        finalize=_finalize,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def render(record: RunRecord, unit: UnitRecord) -> str:
    """Return the page of one unit."""
    return _environment().get_template("report.html.j2").render(run=record, unit=unit)
