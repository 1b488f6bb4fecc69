"""The pages' templates: every expression is made visible and escaped, whatever it holds."""

from __future__ import annotations

from functools import cache
from typing import Any

import jinja2
from markupsafe import Markup
from starlette.responses import HTMLResponse

import hilseq
from hilseq.reports.visible import visible


def _finalize(value: Any) -> Any:
    return value if isinstance(value, Markup) else visible("" if value is None else value)


@cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("hilseq.live", "templates"),
        autoescape=True,
        finalize=_finalize,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["version"] = hilseq.__version__
    return environment


def page(template: str, status: int = 200, **values: Any) -> HTMLResponse:
    """Return a page. `title` names it; `bare` leaves the way to other pages out."""
    text = _environment().get_template(f"{template}.html.j2").render({"bare": False, "here": "", **values})
    return HTMLResponse(text.encode("utf-8", "replace"), status)
