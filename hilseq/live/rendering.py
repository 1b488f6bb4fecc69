"""The pages' templates: every expression is made visible and escaped, whatever it holds."""

from __future__ import annotations

from functools import cache
from typing import Any

import jinja2
from starlette.responses import HTMLResponse

import hilseq
from hilseq.reports.sanitize import environment


@cache
def _environment() -> jinja2.Environment:
    made = environment("hilseq.live")
    made.globals["version"] = hilseq.__version__
    return made


def page(template: str, status: int = 200, **values: Any) -> HTMLResponse:
    """Return a page. `title` names it; `bare` leaves the way to other pages out."""
    text = _environment().get_template(f"{template}.html.j2").render({"bare": False, "here": "", **values})
    return HTMLResponse(text.encode("utf-8", "replace"), status)
