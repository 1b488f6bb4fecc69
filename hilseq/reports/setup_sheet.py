"""The set-up sheet as plain text, and as one self-contained page that prints well."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Protocol

import jinja2

from hilseq.reports.formatting import CAUTIONS as ALL_CAUTIONS
from hilseq.reports.sanitize import environment, sanitize

#: Those of all cautions that concern setting up; the others speak of a report.
CAUTIONS = ALL_CAUTIONS[:4]


class PrintedLine(Protocol):
    """One thing to fit: what, where, and what helps to find it."""

    @property
    def item(self) -> str:
        """What."""
        ...

    @property
    def where(self) -> str:
        """Where."""
        ...

    @property
    def detail(self) -> str:
        """What helps."""
        ...


class PrintedSection(Protocol):
    """Lines that are done together."""

    @property
    def title(self) -> str:
        """Its heading."""
        ...

    @property
    def lines(self) -> Sequence[PrintedLine]:
        """Its lines."""
        ...


def as_text(stand: str, description: str, sections: Sequence[PrintedSection]) -> str:
    """Return the sheet as text with a box to tick before each line."""
    lines = [f"Set-up sheet of stand {stand}: {description}", ""]
    lines += [f"Caution: {caution}" for caution in CAUTIONS]
    for section in sections:
        lines += ["", section.title]
        width = max((len(line.item) for line in section.lines), default=0)
        where = max((len(line.where) for line in section.lines), default=0)
        lines += [
            f"  [ ] {line.item:<{width}}  {line.where:<{where}}  {line.detail}".rstrip()
            for line in section.lines
        ]
    lines += ["", "Set up by ______________________   on ______________", ""]
    return "\n".join("".join(sanitize(part) for part in line) for line in lines)


@cache
def _environment() -> jinja2.Environment:
    return environment("hilseq.reports")


def as_html(stand: str, description: str, sections: Sequence[PrintedSection]) -> str:
    """Return the sheet as one page that asks nothing of any other machine and runs no script."""
    page = _environment().get_template("setup_sheet.html.j2")
    return page.render(stand=stand, description=description, sections=sections, cautions=CAUTIONS)
