"""The one set-up of page templates: what comes from units and instruments is hostile, on every page alike."""

from __future__ import annotations

from typing import Any

import jinja2
from markupsafe import Markup

from hilseq.reports.sanitize import sanitize


def environment(package: str) -> jinja2.Environment:
    """Return what renders the folder `templates` of a package: escaped, every control character made visible."""
    return jinja2.Environment(
        loader=jinja2.PackageLoader(package),
        autoescape=True,
        finalize=_finalize,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _finalize(value: Any) -> Any:
    """Make hostile text visible in every expression of every template; escaping follows by itself."""
    return value if isinstance(value, Markup) else sanitize("" if value is None else value)
