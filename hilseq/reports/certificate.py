"""The certificate and the labels of one unit, which the run's folder alone makes, byte for byte.

The certificate is PDF/A of two pages at most; one label is for the shelf, one for the customer. A template of the
shop's own comes from whoever asks, never from a folder.

Set with typst: text its fonts can show, fixed time, PDF/A, the same bytes every time.
"""

from __future__ import annotations

import hashlib
import importlib
import io
import json
import math
import re
import tempfile
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from functools import cache
from importlib import resources
from typing import Any, Literal

from hilseq.errors import UsageError, not_installed
from hilseq.journal.entries import LOGO, Reading
from hilseq.journal.event_names import AMBIENT, NOT_JUDGED
from hilseq.journal.run_state import RunState, UnitState
from hilseq.quantities import show_duration
from hilseq.reports import formatting, page_views
from hilseq.reports.claims import TESTED, coverage_statement, ledger, shortened, without_certificate
from hilseq.reports.formatting import finite, show_limits, show_value, symbol
from hilseq.reports.risks import risk_sentences
from hilseq.reports.sanitize import sanitize
from hilseq.reports.soak import CASE, Series, SoakView
from hilseq.reports.summary_code import code_text
from hilseq.verdicts import CheckVerdict, Disposition

#: PDF/A-2a for archives (ISO 19005-2) and PDF/UA-1 for those who do not see the page (ISO 14289-1).
STANDARDS: list[Literal["a-2a", "ua-1"]] = ["a-2a", "ua-1"]
#: What the fonts inside the typst wheel can show; anything else is written as its number.
_RANGES = ((0x20, 0x7E), (0xA1, 0x17F), (0x391, 0x3C9), (0x410, 0x44F))
_SIGNS = frozenset("\u2013\u2014\u2018\u2019\u201c\u201d\u2022\u2026\u2264\u2265\u27e8\u27e9\u2713\u2717")


_SIZES = (10.0, 8.5, 7.0, 6.0)
#: A page, as a PDF/A holds it.
_PAGE = re.compile(rb"/Type\s*/Page\b(?!s)")
#: Begins what a certificate says about a template that is not the shipped one.
TEMPLATE_MARK = "hilseq-template:"
#: Points of a drawn curve, and how many of its steps without a sample are a gap.
_POINTS, _GAP = 160, 3.0


def require(module: str) -> Any:
    """Return an optional module. Raises UsageError that says how to get it."""
    try:
        return importlib.import_module(module)
    except ImportError:
        raise not_installed(module) from None


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


def shipped(name: str) -> bytes:
    """Return a template that ships with hilseq."""
    return resources.files("hilseq.reports").joinpath("templates", name).read_bytes()


def typeset(
    source: bytes,
    data: Mapping[str, Any],
    moment: str,
    form: Literal["pdf", "svg", "png"] = "pdf",
    *,
    pages: int = 1,
    shorter: Sequence[Mapping[str, Any]] = (),
) -> bytes:
    """Return what a template makes of `data`; `moment` (a journal's date) is its only time.

    The template gets `size`, the size of its letters in points; the largest with which it needs no more than `pages`
    is taken. Where none is small enough, `shorter` replaces parts of the data, one after the other. It reads no file.
    Raises UsageError when typst is not installed, or nothing fits.
    """
    typst = require("typst")
    attempts: list[tuple[Mapping[str, Any], float]] = [({}, size) for size in _SIZES]
    attempts += [(less, _SIZES[-1]) for less in shorter]
    with tempfile.TemporaryDirectory(prefix="hilseq-") as empty:
        for less, size in attempts:
            try:
                result = typst.compile(
                    source,
                    root=empty,
                    format=form,
                    sys_inputs={
                        "data": json.dumps({**data, **less, "size": size}, ensure_ascii=True, sort_keys=True)
                    },
                    pdf_standards=list(STANDARDS) if form == "pdf" else [],
                    timestamp=_time(moment),
                    ignore_system_fonts=True,
                    package_path=empty,
                    package_cache_path=empty,
                )
            except typst.TypstError as error:
                raise UsageError(f"the template cannot be set: {sanitize(error, 300)}") from error
            # Of a picture of several pages a list comes back; a PDF tells its pages.
            made = [result] if isinstance(result, bytes) else list(result)
            if len(made) == 1 and len(_PAGE.findall(made[0])) <= pages:
                return bytes(made[0])
    raise UsageError(f"the template needs more than {formatting.count(pages, 'page')} for this run")


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


#: What fits on two pages whatever the run; the rest is in the report and is said to be.
_MOST_STAGES, _MOST_REASONS, _MOST_INSTRUMENTS, _MOST_FACTS, _MOST_STEPS = 14, 4, 6, 12, 5
_MOST_KEY_READINGS = 12
#: Most claims, and most characters of them and their domains.
_MOST_CLAIMS, _PAGE_OF_CLAIMS = 110, 15000
#: From so many degrees of freedom on k is 2 to two digits.
_MANY_DEGREES = 300
#: Keys of the intake in the order of the certificate; a shop's own keys follow, the rest stays in the report.
_FACTS = ("customer", "address", "work-order", "revision", "repair", "battery-date")
_NOT_SHOWN = frozenset(
    {"serial", "part", "complaint", "outside-condition", "battery-pulled", "operator", "remarks"}
)


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
            f"no certificate: {run.run} did not finish; `hilseq resume` continues a soak, "
            "otherwise test the unit again"
        )
    for unit in run.units:
        if unit.damage:
            raise UsageError(f"no certificate: the evidence of {run.run} is not whole: {unit.damage}")
    if run.unsafe:
        raise UsageError(f"no certificate: the stand of {run.run} was not verified safe: {run.unsafe}")


def number(run: RunState, unit: UnitState) -> str:
    """Return the number of the certificate of a unit: date, journal, slot, so that no two are alike."""
    return f"{run.ended[:10].replace('-', '')}-{run.chain[:8].upper()}-{run.units.index(unit) + 1}"


def _facts(run: RunState, unit: UnitState) -> tuple[list[list[str]], list[list[str]]]:
    own = [key for key in unit.intake if key not in (*_FACTS, *_NOT_SHOWN)]
    known = [[_label(key), str(unit.intake.get(key, ""))] for key in (*_FACTS, *own)]
    left = [
        *_printed([["Unit type", unit.part], ["Serial number", unit.serial]]),
        *_printed([["Description", unit.description]], 120),
        *_printed([row for row in known if row[1]][:_MOST_FACTS]),
    ]
    profile = run.given(f"profile of slot {unit.slot}")
    plan = unit.plan
    right = [
        ["Number", number(run, unit)],
        [
            "Test plan",
            f"revision {plan.revision} ({plan.identity[:16]})" if plan and plan.revision else "none approved",
        ],
        ["Profile", "" if profile is None else f"{profile.name} ({profile.sha256[:16]})"],
        ["Stand", f"{run.stand}, slot {unit.slot}"],
        ["Run", run.run],
        ["Began", formatting.date(run.started)],
        ["Ended", f"{formatting.date(run.ended)}, after {show_duration(run.seconds)}"],
        ["Ambient", _ambient(unit, run)],
    ]
    return left, _printed(right, 60)


def _label(key: str) -> str:
    return f"{key[:1].upper()}{key[1:].replace('-', ' ')}"


def _ambient(unit: UnitState, run: RunState) -> str:
    reported = [event.text for event in (*run.events, *unit.events) if event.what == AMBIENT]
    soak = "" if unit.soak is None else f"soak planned at {unit.soak.started.ambient:g} \u00b0C"
    return "; ".join([*reported[-1:], *([soak] if soak else [])]) or "not measured"


# -- key readings and the soak -----------------------------------------------------------------------------


def _key_readings(unit: UnitState) -> list[dict[str, Any]]:
    """Return the readings that the plan names, of those made at several places the one nearest to a limit."""
    wanted = () if unit.paper is None else unit.paper.key_readings
    by_name: dict[str, list[Reading]] = {}
    for check in unit.checks:
        for reading in check.readings:
            by_name.setdefault(reading.name, []).append(reading)
    rows: list[dict[str, Any]] = []
    for name in wanted[:_MOST_KEY_READINGS]:
        found = by_name.get(name)
        if found is None:
            rows.append(
                {
                    "name": printable(name, 40),
                    "value": "not measured",
                    "limits": "",
                    "said": "",
                    "budget": printable(_why_not_measured(name, unit), 320),
                    "bar": [],
                }
            )
            continue
        one = min(found, key=_room)
        many = f" ({one.place}, nearest of {len(found)})" if len(found) > 1 else ""
        rows.append(
            {
                "name": printable(f"{name}{many}", 60),
                "value": printable(show_value(one), 40),
                "limits": printable(show_limits(one), 40),
                "said": printable(one.verdict, 20),
                "budget": printable(_budget(one), 70),
                "bar": _bar(one),
            }
        )
    return rows


def _why_not_measured(name: str, unit: UnitState) -> str:
    """Return what the check of a reading said of why it has none."""
    said = (event.text.partition(": ") for event in unit.events if event.what == NOT_JUDGED)
    return next((why for what, _, why in said if what == name), "no check of this run judged it")


def _budget(reading: Reading) -> str:
    """Return k, the degrees of freedom where they are few, and the largest term with its share of the variance."""
    if not reading.terms or reading.coverage_factor is None:
        return ""
    few = reading.degrees_of_freedom
    degrees = f", \u03bd = {math.floor(few)}" if few is not None and few < _MANY_DEGREES else ""
    largest = max(reading.terms, key=lambda term: term.value)
    whole = math.fsum(term.value**2 for term in reading.terms)
    share = f", {100.0 * largest.value**2 / whole:.0f} % {largest.name}" if whole > 0.0 else ""
    return f"k = {reading.coverage_factor:.2f}{degrees}{share}"


def _room(reading: Reading) -> float:
    """Return how far a reading is from its nearest limit, in units of its uncertainty where it has one."""
    low, high, value = finite(reading.low), finite(reading.high), finite(reading.value)
    if value is None or (low is None and high is None):
        return math.inf
    room = min(value - low if low is not None else math.inf, high - value if high is not None else math.inf)
    return room / (finite(reading.uncertainty) or 1.0)


def _bar(reading: Reading) -> list[float | None]:
    """Return lower limit, upper limit, value and half width of a reading, as shares of the width of its drawing."""
    low, high, value = finite(reading.low), finite(reading.high), finite(reading.value)
    if value is None or (low is None and high is None):
        return []
    half = finite(reading.uncertainty) or 0.0
    known = [one for one in (low, high, value - half, value + half) if one is not None]
    first, last = min(known), max(known)
    width = (last - first) * 1.3 or abs(first) or 1.0
    first -= (width - (last - first)) / 2.0

    def at(one: float | None) -> float | None:
        return None if one is None else round((one - first) / width, 4)

    return [at(low), at(high), at(value), round(half / width, 4)]


def _soak(unit: UnitState, soak: SoakView | None) -> dict[str, Any] | None:
    """Return the soak with the curve of its case temperature, as shares of the drawing's width and height."""
    if unit.soak is None or soak is None:
        return None
    started = unit.soak.started
    hours = f"{show_duration(soak.lasted)} of {show_duration(started.planned)} planned"
    events = formatting.count(soak.incidents, "event")
    reported = f"{hours}, {soak.samples} samples, {events}, in mode {started.mode}"
    found = next((one for one in soak.series if one.name == CASE), None)
    curve, low, high = _curve(found, soak.lasted)
    return {
        "reported": printable(reported, 160),
        "curve": curve,
        "low": low,
        "high": high,
        "name": "" if found is None else printable(f"{found.name}, {symbol(found.unit)}", 40),
        "end": show_duration(soak.lasted),
    }


def _curve(series: Series | None, lasted: float) -> tuple[list[list[list[float]]], str, str]:
    """Return the strokes of a curve, none across a gap, and its least and greatest value in words."""
    if series is None or lasted <= 0.0:
        return [], "", ""
    every = max(len(series.times) // _POINTS, 1)
    points = [
        (float(t), float(v)) for t, v in zip(series.times[::every], series.values[::every], strict=True)
    ]
    values = [value for _, value in points if math.isfinite(value)]
    if not values:
        return [], "", ""
    low, high = min(values), max(values)
    height = high - low or 1.0
    strokes: list[list[list[float]]] = [[]]
    longest = _GAP * every * lasted / max(len(series.times), 1)
    last = -math.inf
    for time, value in points:
        if not math.isfinite(value) or (strokes[-1] and time - last > longest):
            strokes.append([])
        if math.isfinite(value):
            strokes[-1].append([round(time / lasted, 4), round((value - low) / height, 4)])
            last = time
    return [stroke for stroke in strokes if len(stroke) > 1], f"{low:.4g}", f"{high:.4g}"


def _claims(unit: UnitState, most: int = _PAGE_OF_CLAIMS) -> dict[str, Any]:
    """Return every claim with its domain, and apart from them the conditions that they share.

    Where all of them have more than `most` characters, domains are cut, each to its share of them; of 0 none is left.
    """
    shared, reported = shortened(ledger(unit).claims)
    claims = [
        (printable(sentence, 160), printable(where, 600)) for sentence, where in reported[:_MOST_CLAIMS]
    ]
    if not most:
        claims = []
    elif sum(len(sentence) + len(where) for sentence, where in claims) > most:
        share = most // len(claims)
        claims = [(sentence, printable(where, max(share - len(sentence), 20))) for sentence, where in claims]
    return {
        "shared": printable(shared, 200),
        "claims": [[sentence, where] for sentence, where in claims],
        "more_claims": len(reported) - len(claims),
    }


def _printed(rows: list[list[str]], longest: int = 50) -> list[list[str]]:
    return [[printable(cell, longest) for cell in row] for row in rows if row[1]]


def _common(run: RunState, unit: UnitState) -> dict[str, Any]:
    """Return what certificate and label have in common."""
    disposition = run.final(unit)
    code, logo = formatting.short_code(run.chain), run.given(LOGO)
    return {
        "author": maker(),
        "keywords": [f"hilseq-journal-chain:{run.chain}", f"hilseq-slot:{unit.slot}", code],
        "ship": disposition is Disposition.SHIP,
        "verdict": str(disposition),
        "part": printable(unit.part, 30),
        "serial": printable(unit.serial, 40),
        "simulated": run.simulated,
        "shop": printable("" if unit.paper is None else unit.paper.shop, 60),
        "shop_address": printable("" if unit.paper is None else unit.paper.shop_address, 100),
        "logo": "" if logo is None else logo.text,
        "number": number(run, unit),
        "code": code,
        "chain": run.chain,
    }


def refuse_unapproved(run: RunState, unit: UnitState) -> None:
    """Raise UsageError for a unit that would ship on something else than the approved plan of its type."""
    if run.final(unit) is Disposition.SHIP and unit.unapproved:
        raise UsageError(
            f"{unit.serial}: {without_certificate(unit)}. Approve what was run (hilseq plan --approve), or run what is "
            "approved, and test the unit again; the report stands"
        )


def paper_of(disposition: Disposition) -> tuple[str, str]:
    """Return the title of the paper of a unit, and how its file's name begins: a certificate is of a SHIP alone."""
    papers = {
        Disposition.SHIP: ("Test certificate", "certificate"),
        Disposition.REPAIR: ("Repair slip", "repair-slip"),
    }
    return papers.get(disposition, ("Test result", "test-result"))


def _stages_that_fit(stages: list[page_views.StageView]) -> list[page_views.StageView]:
    """Leave out the first that passed where there are too many: a visit begins with what is about the stand."""
    too_many = len(stages) - (_MOST_STAGES - 1) if len(stages) > _MOST_STAGES else 0
    passed = [view for view in stages if view.verdict == CheckVerdict.PASSED]
    left_out = [id(view) for view in [*passed, *reversed(stages)][:too_many]]
    return [view for view in stages if id(view) not in left_out]


def certificate(
    run: RunState, unit: UnitState, soak: SoakView | None = None, template: bytes | None = None
) -> bytes:
    """Return the certificate as PDF, of a unit that does not ship the slip that says so.

    `template` is a typst file of the shop's own, instead of the shipped one. Raises UsageError when the run is
    unfinished, the unit would ship on another plan than the approved one, the template is wrong, or typst is missing.
    """
    refuse_unfinished(run)
    refuse_unapproved(run, unit)
    shared = _common(run, unit)
    stages = page_views.stages(unit)
    reasons, more = page_views.reasons(unit, stages)
    instruments = page_views.instruments(run)
    left, right = _facts(run, unit)
    shown = _stages_that_fit(stages)
    rows = [[view.name, view.reported, f"{view.sign} {view.verdict}"] for view in shown]
    if len(stages) > len(shown):
        rows.append([f"{len(stages) - len(shown)} more stages", "see the report", ""])
    disposition = run.final(unit)
    title, _ = paper_of(disposition)
    data = {
        **shared,
        "title": ("Specimen: " if run.simulated else "") + title,
        "repair": disposition is Disposition.REPAIR,
        "description": f"{shared['part']} {shared['serial']}: {shared['verdict']}",
        "headline": page_views.headline(unit, disposition),
        "meaning": formatting.MEANINGS[disposition],
        "qr": two_dimensional_code(code_text(run, unit, run.signatures.summary(unit.slot))),
        "left": left,
        "right": right,
        "reasons": [[printable(r.where, 40), printable(r.what, 140)] for r in reasons[:_MOST_REASONS]],
        "more": max(len(reasons) - _MOST_REASONS, 0) + more,
        "order": [
            [
                printable(step.name, 40),
                printable(step.action, 160),
                printable(step.where, 60),
                printable(step.known, 160),
            ]
            for step in page_views.repair_order(unit)[:_MOST_STEPS]
        ],
        # What was tested, the table of stages says.
        "coverage": [
            [name, printable(words, 1000)]
            for name, words in coverage_statement(unit).lines()
            if name != TESTED
        ],
        # Who repairs a unit asks what is wrong with it.
        **_claims(unit, 0 if disposition is Disposition.REPAIR else _PAGE_OF_CLAIMS),
        "stages": [[printable(cell, 50) for cell in row] for row in rows],
        "readings": _key_readings(unit),
        "soak": _soak(unit, soak),
        "instruments": [
            [
                printable(text, 32)
                for text in (f"{one.name}, {one.what}", one.identity, one.certificate, one.due, one.held)
            ]
            for one in instruments[:_MOST_INSTRUMENTS]
        ],
        "more_instruments": max(len(instruments) - _MOST_INSTRUMENTS, 0),
        "rule": printable(formatting.rule_in_words(unit.rule, short=True), 500),
        "risks": [printable(words, 400) for words in risk_sentences(unit)],
    }
    shorter = [_claims(unit, _PAGE_OF_CLAIMS // 2), _claims(unit, 0)]
    if template is None:
        return typeset(shipped("certificate.typ"), data, run.ended, pages=2, shorter=shorter)
    data["keywords"] = [*shared["keywords"], f"{TEMPLATE_MARK}{hashlib.sha256(template).hexdigest()}"]
    return typeset(template, data, run.ended, pages=2, shorter=shorter)


def label(
    run: RunState, unit: UnitState, form: Literal["pdf", "svg"] = "svg", *, customer: bool = False
) -> bytes:
    """Return a label, 62 mm by 29 mm, as SVG or PDF: of the shelf, or of the customer.

    That of the shelf names the verdict and carries the code that finds the run; that of the customer names the shop and
    the certificate, and carries the signed summary. Letters in the SVG are shapes, so that it prints alike without any
    font. Raises UsageError when the run is unfinished, the customer would get a unit without a certificate, or typst or
    segno is missing.
    """
    refuse_unfinished(run)
    if customer:
        if run.final(unit) is not Disposition.SHIP:
            raise UsageError(f"{unit.serial} does not ship: there is no label for its customer")
        refuse_unapproved(run, unit)
    shared = _common(run, unit)
    scanned = f"{unit.serial[:60]} {shared['code']}".encode("ascii", "replace").decode()
    signed = code_text(run, unit, run.signatures.summary(unit.slot))
    data = {
        **shared,
        "title": "Label",
        "customer": customer,
        "description": f"{shared['part']} {shared['serial']}: {shared['verdict']}",
        "shop": printable(shared["shop"], 34),
        "part": printable(unit.part, 22),
        "serial": printable(unit.serial, 24),
        "date": printable(run.ended[:10], 10),
        "qr": two_dimensional_code(signed if customer else scanned),
    }
    made = typeset(shipped("label.typ"), data, run.ended, form)
    if form == "pdf":
        return made
    # A picture has no keywords: the whole code travels in a comment, where `hilseq verify` looks for it.
    return made + f"<!-- hilseq-journal-chain:{run.chain} {shared['author']} -->\n".encode("ascii")
