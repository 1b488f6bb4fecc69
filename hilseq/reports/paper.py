"""Typesetting on paper with typst: text its fonts can show, fixed time, PDF/A, the same bytes every time."""

from __future__ import annotations

import importlib
import json
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import cache
from importlib import resources
from typing import Any, Literal

from hilseq.errors import UsageError
from hilseq.reports.sanitize import sanitize

HOW_TO_GET = 'pip install "hilseq[certificate]"'
#: PDF/A-2a for archives (ISO 19005-2) and PDF/UA-1 for those who do not see the page (ISO 14289-1).
STANDARDS: list[Literal["a-2a", "ua-1"]] = ["a-2a", "ua-1"]
#: What the fonts inside the typst wheel can show; anything else is written as its number.
_RANGES = ((0x20, 0x7E), (0xA1, 0x17F), (0x391, 0x3C9), (0x410, 0x44F))
_SIGNS = frozenset("\u2013\u2014\u2018\u2019\u201c\u201d\u2022\u2026\u2264\u2265\u27e8\u27e9\u2713\u2717")


_SIZES = (10.0, 8.5, 7.0, 6.0)
#: What our templates say when they need more than one page.
_TOO_LONG = "does not fit on one page"


def require(module: str) -> Any:
    """Return an optional module. Raises UsageError that says how to get it."""
    try:
        return importlib.import_module(module)
    except ImportError:
        raise UsageError(
            f"certificates and labels need {module}, which is not installed: {HOW_TO_GET}"
        ) from None


@cache
def _shown(character: str) -> str:
    code = ord(character)
    known = character in _SIGNS or any(low <= code <= high for low, high in _RANGES)
    return character if known and character.isprintable() else f"\u27e8U+{code:04X}\u27e9"


def printable(text: object, longest: int) -> str:
    """Return the text as the paper's fonts can show it, hostile characters made visible.

    The result is at most `longest` characters long.
    """
    pieces = [_shown(character) for character in sanitize(text, longest)]
    if sum(map(len, pieces)) <= longest and len(str(text)) <= longest:
        return "".join(pieces)
    room = longest - 1
    for number, piece in enumerate(pieces):
        room -= len(piece)
        if room < 0:
            return "".join(pieces[:number]) + "\u2026"
    return "".join(pieces)


def typeset(
    template: str, data: Mapping[str, Any], moment: str, form: Literal["pdf", "svg", "png"] = "pdf"
) -> bytes:
    """Return the page that `template` makes of `data`; `moment` (a journal's date) is its only time.

    The template gets `size`, the size of its letters in points, and fails when that needs more than one
    page; the largest size that fits is taken. Raises UsageError when typst is not installed or none fits.
    """
    typst = require("typst")
    source = resources.files("hilseq.reports").joinpath("templates", template).read_bytes()
    for size in _SIZES:
        try:
            result = typst.compile(
                source,
                format=form,
                sys_inputs={"data": json.dumps({**data, "size": size}, ensure_ascii=True, sort_keys=True)},
                pdf_standards=list(STANDARDS) if form == "pdf" else [],
                timestamp=_time(moment),
                ignore_system_fonts=True,
            )
        except typst.TypstError as error:
            if _TOO_LONG not in str(error):
                raise UsageError(f"{template} cannot be set: {sanitize(error, 300)}") from error
        else:
            return bytes(result)
    raise UsageError(f"{template} needs more than one page for this run")


def _time(moment: str) -> datetime:
    try:
        time = datetime.fromisoformat(moment)
    except ValueError:
        return datetime(2000, 1, 1, tzinfo=UTC)
    return time.astimezone(UTC).replace(microsecond=0) if time.tzinfo else time.replace(tzinfo=UTC)


def maker() -> str:
    """Return the programs whose versions decide about the bytes of a page."""
    import hilseq

    return f"hilseq {hilseq.__version__}, typst {require('typst').__version__}"
