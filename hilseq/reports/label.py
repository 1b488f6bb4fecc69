"""The label that goes on the unit: serial number, verdict, date, and a code a scanner reads."""

from __future__ import annotations

from typing import Literal

from hilseq.reports.certificate import common, refuse_unfinished, two_dimensional_code
from hilseq.reports.paper import printable, typeset
from hilseq.reports.record import RunRecord, UnitRecord


def label(run: RunRecord, unit: UnitRecord, form: Literal["pdf", "svg"] = "svg") -> bytes:
    """Return the label, 62 mm by 29 mm, as SVG or PDF.

    Letters in the SVG are shapes, so that it prints alike without any font. Raises UsageError when the run
    is unfinished or typst or segno is missing.
    """
    refuse_unfinished(run)
    shared = common(run, unit)
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
