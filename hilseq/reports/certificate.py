"""The certificate and the label of one unit, which the journal alone makes, byte for byte.

The certificate is one page of PDF/A; the label goes on the unit: serial number, verdict, date, and a code that a
scanner reads.

Set with typst: text its fonts can show, fixed time, PDF/A, the same bytes every time.
"""

from __future__ import annotations

import importlib
import io
import json
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import cache
from importlib import resources
from typing import Any, Literal

from hilseq.errors import UsageError
from hilseq.journal.run_state import RunState, UnitState
from hilseq.quantities import show_duration
from hilseq.reports import formatting, page_views
from hilseq.reports.claims import TESTED, coverage_statement
from hilseq.reports.sanitize import sanitize
from hilseq.reports.summary_code import code_text
from hilseq.verdicts import Disposition

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


#: What fits on one page whatever the run; the rest is in the report and is said to be.
_MOST_STAGES, _MOST_REASONS, _MOST_INSTRUMENTS, _MOST_FACTS = 14, 4, 6, 4
_SHORT_RULES = {
    "guarded": "Guarded acceptance: a reading conforms when it lies inside its limits by at least its "
    "expanded uncertainty (k = 2, Student's factor for few repeats); at most 2.5 % probability of accepting a true "
    "value outside, per reading.",
    "simple": "Simple acceptance: a reading conforms when it lies inside its limits; uncertainty is not "
    "taken into account, so that the risk near a limit is shared.",
}


def two_dimensional_code(text: str) -> str:
    """Return a QR code (ISO/IEC 18004) as an SVG text. Raises UsageError when segno is not installed."""
    code = require("segno").make(text, error="m", micro=False)
    out = io.BytesIO()
    code.save(out, kind="svg", border=2, xmldecl=False, svgns=True, nl=False)
    return out.getvalue().decode("utf-8")


def refuse_unfinished(run: RunState) -> None:
    """Raise UsageError unless run and samples are whole and the stand was safe at the end."""
    if run.broken:
        raise UsageError(f"no certificate: the journal of {run.run} is not sound: {run.broken}")
    if not run.whole:
        raise UsageError(
            f"no certificate: {run.run} did not come to its end; `hilseq resume` continues a soak, "
            "otherwise test the unit again"
        )
    for unit in run.units:
        if unit.damage:
            raise UsageError(f"no certificate: the evidence of {run.run} is not whole: {unit.damage}")
    if run.unsafe:
        raise UsageError(f"no certificate: the stand of {run.run} was not verified safe: {run.unsafe}")


def _facts(run: RunState, unit: UnitState) -> tuple[list[list[str]], list[list[str]]]:
    left = [
        ["Unit type", unit.part],
        ["Serial number", unit.serial],
        ["Description", unit.description],
        *([str(name), str(value)] for name, value in list(unit.intake.items())[:_MOST_FACTS]),
    ]
    right = [
        ["Stand", f"{run.stand}, slot {unit.slot}"],
        ["Run", run.run],
        ["Began", formatting.date(run.started)],
        ["Ended", f"{formatting.date(run.ended)}, after {show_duration(run.seconds)}"],
    ]
    return _printed(left), _printed(right)


def _printed(rows: list[list[str]], longest: int = 50) -> list[list[str]]:
    return [[printable(cell, longest) for cell in row] for row in rows if row[1]]


def _common(run: RunState, unit: UnitState) -> dict[str, Any]:
    """Return what certificate and label have in common."""
    disposition = run.final(unit)
    code = formatting.short_code(run.chain)
    return {
        "author": maker(),
        "keywords": [f"hilseq-journal-chain:{run.chain}", f"hilseq-slot:{unit.slot}", code],
        "ship": disposition is Disposition.SHIP,
        "verdict": str(disposition),
        "part": printable(unit.part, 30),
        "serial": printable(unit.serial, 40),
        "simulated": run.simulated,
        "code": code,
        "chain": run.chain,
    }


def refuse_unapproved(run: RunState, unit: UnitState) -> None:
    """Raise UsageError for a unit that would ship on something else than the approved plan of its type."""
    if run.final(unit) is Disposition.SHIP and unit.unapproved:
        raise UsageError(
            f"no certificate for {unit.serial}: this was not the approved plan: {unit.unapproved}. Approve what was "
            "run (hilseq plan --approve), or run what is approved, and test the unit again; the report stands"
        )


def certificate(run: RunState, unit: UnitState) -> bytes:
    """Return the certificate as PDF.

    Raises UsageError when the run is unfinished, the unit would ship on another plan than the approved one, or typst
    is missing.
    """
    refuse_unfinished(run)
    refuse_unapproved(run, unit)
    shared = _common(run, unit)
    stages = page_views.stages(unit)
    reasons, more = page_views.reasons(unit, stages)
    instruments = page_views.instruments(run)
    left, right = _facts(run, unit)
    shown = stages[:_MOST_STAGES] if len(stages) <= _MOST_STAGES else stages[: _MOST_STAGES - 1]
    rows = [[view.name, view.told, f"{view.sign} {view.verdict}"] for view in shown]
    if len(stages) > len(shown):
        rows.append([f"{len(stages) - len(shown)} more stages", "see the report", ""])
    data = {
        **shared,
        "title": ("Specimen: " if run.simulated else "")
        + ("Test certificate" if shared["ship"] else "Test result"),
        "description": f"{shared['part']} {shared['serial']}: {shared['verdict']}",
        "headline": page_views.headline(unit, run.final(unit)),
        "meaning": formatting.MEANINGS[run.final(unit)],
        "qr": two_dimensional_code(code_text(run, unit, run.signatures.summary(unit.slot))),
        "left": left,
        "right": right,
        "reasons": [[printable(r.where, 40), printable(r.what, 140)] for r in reasons[:_MOST_REASONS]],
        "more": max(len(reasons) - _MOST_REASONS, 0) + more,
        # What was tested, the table of stages says.
        "coverage": [
            [name, printable(words, 150)]
            for name, words in coverage_statement(unit).lines()
            if name != TESTED
        ],
        "stages": [[printable(cell, 50) for cell in row] for row in rows],
        "instruments": [
            [
                printable(text, 32)
                for text in (f"{one.name}, {one.what}", one.identity, one.certificate, one.due, one.held)
            ]
            for one in instruments[:_MOST_INSTRUMENTS]
        ],
        "more_instruments": max(len(instruments) - _MOST_INSTRUMENTS, 0),
        "rule": _SHORT_RULES.get(unit.rule, printable(unit.rule, 100)),
    }
    return typeset("certificate.typ", data, run.ended)


def label(run: RunState, unit: UnitState, form: Literal["pdf", "svg"] = "svg") -> bytes:
    """Return the label, 62 mm by 29 mm, as SVG or PDF.

    Letters in the SVG are shapes, so that it prints alike without any font. Raises UsageError when the run
    is unfinished or typst or segno is missing.
    """
    refuse_unfinished(run)
    shared = _common(run, unit)
    scanned = f"{unit.serial[:60]} {shared['code']}".encode("ascii", "replace").decode()
    data = {
        **shared,
        "title": "Label",
        "description": f"{shared['part']} {shared['serial']}: {shared['verdict']}",
        "part": printable(unit.part, 22),
        "serial": printable(unit.serial, 24),
        "date": printable(run.ended[:10], 10),
        "qr": two_dimensional_code(scanned),
    }
    made = typeset("label.typ", data, run.ended, form)
    if form == "pdf":
        return made
    # A picture has no keywords: the whole code travels in a comment, where `hilseq verify` looks for it.
    return made + f"<!-- hilseq-journal-chain:{run.chain} {shared['author']} -->\n".encode("ascii")
