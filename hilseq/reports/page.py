"""The page of one unit: one self-contained HTML text, made from the record of its run alone.

It asks nothing of any other machine, runs no script but its own (named by hash in its security policy),
and is complete without that script.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import jinja2
from markupsafe import Markup

import hilseq
from hilseq.journal.entries import PriorRun
from hilseq.journal.event_names import CONDITIONS, PROOF
from hilseq.journal.run_state import RunState, UnitState
from hilseq.quantities import show_duration
from hilseq.reports import formatting, page_views, soak_plots
from hilseq.reports.check_drawings import draw_terminals, terminals
from hilseq.reports.claims import coverage_statement, without_certificate
from hilseq.reports.risks import risk_sentences
from hilseq.reports.sanitize import environment
from hilseq.reports.soak import SoakView
from hilseq.verdicts import CheckVerdict, Disposition

_MOST_EVENTS = 300


@cache
def _environment() -> jinja2.Environment:
    made = environment("hilseq.reports")
    made.filters.update(
        date=formatting.date,
        duration=show_duration,
        code=page_views.code_in_words,
        reported=page_views.time_in_words,
    )
    made.globals.update(signs=formatting.SIGNS, letter=soak_plots.letter, count=formatting.count)
    return made


@cache
def _asset(name: str) -> tuple[Markup, str]:
    """Return a style sheet or script of ours and the hash by which the page's policy admits it."""
    text = resources.files("hilseq.reports").joinpath("templates", name).read_text("utf-8")
    digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
    return Markup(text), f"'sha256-{digest}'"  # noqa: S704 (a file of this package)


def data_block(value: Any) -> Markup:
    """Return data for a script or a program to read, in a form no browser takes for markup."""
    text = json.dumps(value, ensure_ascii=True, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c").replace("&", "\\u0026"))  # noqa: S704 (escaped just now)


@dataclass(frozen=True, slots=True)
class _Plot:
    name: str
    reported: str
    drawing: Markup
    detail: Markup


def _plots(soak: SoakView) -> tuple[list[_Plot], Markup]:
    frame = soak_plots.TimeFrame(max(soak.lasted, 1e-9), soak.gaps, soak.events)
    plots = []
    for series in soak.series:
        fine = soak_plots.fine(series, frame)
        buckets = soak_plots.overview(fine)
        drawing = soak_plots.draw(series, frame, buckets)
        detail = data_block(soak_plots.detail(series, fine, buckets)) if drawing else Markup()
        plots.append(_Plot(series.name, soak_plots.in_words(series, buckets), drawing, detail))
    return plots, soak_plots.draw_modes(soak.modes, frame) if soak.modes else Markup()


def _meaning(run: RunState, unit: UnitState, disposition: Disposition) -> str:
    if disposition is Disposition.STAND_FAULT and unit.disposition is not Disposition.STAND_FAULT:
        return f"The stand could not be shown to be safe at the end: {run.unsafe}"
    if not run.whole and disposition is Disposition.INCOMPLETE:
        return "The run did not finish: the unit may not ship on this run."
    if unit.damage and disposition is Disposition.INCOMPLETE:
        return formatting.DAMAGED
    return formatting.MEANINGS[disposition]


def _advice(unit: UnitState) -> list[dict[str, str]]:
    """Return meaning, places, cause and remedy of the stored faults, each once, in order.

    Nothing of routine, and nothing that the stand itself provoked.
    """
    found: dict[tuple[str, str, str], list[str]] = {}
    provoked = unit.provoked
    for entry in unit.faults:
        for fault in entry.entries:
            if fault.routine or fault in provoked:
                continue
            key = fault.meaning or "not stated", fault.cause or "not stated", fault.remedy or "not stated"
            found.setdefault(key, []).append(fault.place)
    return [
        {"meaning": meaning, "cause": cause, "remedy": remedy, "places": formatting.join_truncated(places)}
        for (meaning, cause, remedy), places in found.items()
    ]


def _events(run: RunState, unit: UnitState) -> list[page_views.TimelineEvent]:
    events = [(e.t, e.what, e.text) for e in [*run.events, *unit.events] if e.what not in (PROOF, CONDITIONS)]
    events += [
        (
            safe.t,
            "made safe" if safe.verified else "NOT VERIFIED SAFE",
            safe.why or f"by the {safe.by}, read back and verified",
        )
        for safe in run.safe
    ]
    return page_views.happenings(events, run.header.t)


def render(
    run: RunState, unit: UnitState, *, soak: SoakView | None = None, earlier: Sequence[PriorRun] = ()
) -> str:
    """Return the page of one unit.

    `soak` is what the soak left beside the journal; `earlier` are visits of the same serial in time order,
    which the page marks as not covered by its verification.
    """
    style, style_hash = _asset("report.css")
    assets = [_asset("checks.js"), *([_asset("report.js")] if soak else [])]
    disposition = run.final(unit)
    stages = page_views.stages(unit)
    reasons, more_reasons = page_views.reasons(unit, stages)
    events = _events(run, unit)
    proofs = list(dict.fromkeys(e.text for e in [*run.events, *unit.events] if e.what == PROOF))
    plots, strip = _plots(soak) if soak else ([], Markup())
    return (
        _environment()
        .get_template("report.html.j2")
        .render(
            version=hilseq.__version__,
            style=style,
            scripts=[script for script, _ in assets],
            style_hash=Markup(style_hash),  # noqa: S704 (a hash)
            script_hashes=Markup(" ").join(Markup(digest) for _, digest in assets),  # noqa: S704 (hashes)
            run=run,
            unit=unit,
            disposition=disposition,
            sign=formatting.DISPOSITION_SIGNS[disposition],
            headline=page_views.headline(unit, disposition),
            meaning=_meaning(run, unit, disposition),
            done=sum(check.verdict is not CheckVerdict.NOT_PERFORMED for check in unit.checks),
            stages=stages,
            reasons=reasons,
            more_reasons=more_reasons,
            order=page_views.repair_order(unit),
            advice=_advice(unit) if disposition is Disposition.REPAIR else [],
            terminals=[(group, draw_terminals(group)) for group in terminals(unit.checks)],
            missing=page_views.missing(unit),
            coverage=coverage_statement(unit),
            uncertified=without_certificate(unit) if disposition is Disposition.SHIP else "",
            faults=page_views.faults(unit),
            proofs=proofs,
            soak=soak,
            plots=plots,
            strip=strip,
            events=events[:_MOST_EVENTS],
            more_events=max(len(events) - _MOST_EVENTS, 0),
            instruments=page_views.instruments(run),
            rule=formatting.rule_in_words(unit.rule),
            risks=risk_sentences(unit),
            earlier=earlier,
            earlier_data=data_block([one.model_dump() for one in earlier]),
            cautions=formatting.CAUTIONS,
            short_code=formatting.short_code(run.chain),
        )
    )
