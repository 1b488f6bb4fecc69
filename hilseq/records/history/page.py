"""An answer as one self-contained page: no script, no outside request, every text escaped."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache
from typing import Any

import jinja2
from markupsafe import Markup

from hilseq.records.history.answer import Answer, show
from hilseq.reports.visible import visible

#: A page is for reading; CSV and JSON hold everything.
MOST_ROWS = 500


def _finalize(value: Any) -> Any:
    """Make hostile text visible in every expression; escaping follows by itself."""
    return value if isinstance(value, Markup) else visible("" if value is None else value)


@cache
def _environment() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.PackageLoader("hilseq.records.history"),
        autoescape=True,
        finalize=_finalize,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def render(answer: Answer, address: str, when: datetime | None = None) -> str:
    """Return the page; `address` names the records, without a password."""
    moment = (when or datetime.now(UTC)).astimezone(UTC)
    template = _environment().get_template("history.html.j2")
    return template.render(
        answer=answer, address=address, show=show, most_rows=MOST_ROWS, when=f"{moment:%Y-%m-%d %H:%M} UTC"
    )
