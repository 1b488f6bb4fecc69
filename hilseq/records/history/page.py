"""An answer as one self-contained page: no script, no outside request, every text escaped."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache

import jinja2

from hilseq.records.history.answer import Answer, show
from hilseq.reports.templating import environment

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
