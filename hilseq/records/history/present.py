"""From what the records hold to words, tables and drawings."""

from __future__ import annotations

import math
from collections.abc import Sequence

from hilseq.analysis.gauge import GaugeStudy
from hilseq.journal.entries import ENOUGH_REPAIRS
from hilseq.records.history import drawings
from hilseq.records.history.answer import Answer, AnswerTable, Share, percent
from hilseq.records.history.calibrations import CalibrationDue, Due
from hilseq.records.history.drawings import brief, span
from hilseq.records.history.gauge import SlotGauge
from hilseq.records.history.part import FirstPass, Pareto, Pooled, Retested, YieldOfPeriod
from hilseq.records.history.reading import Chart, ReadingHistory
from hilseq.records.history.repairs import CureRate
from hilseq.records.history.stands import StandComparison, StandRow
from hilseq.records.history.unit_history import UnitHistory, UnitVisit
from hilseq.reports.formatting import DisplayScale, at_places, count, join_truncated, scale_of, symbol

#: A pass within so many hours of a failure leaves little time for a repair.
SOON_HOURS = 24.0


def _reported(visit: UnitVisit) -> list[str]:
    """Return what a visit found, and what is wrong with what it left behind."""
    found = dict.fromkeys(at_places(found.place.split(", "), found.what) for found in visit.findings)
    return [*found, *([visit.damage] if visit.damage else [])]


def of_unit(lives: Sequence[UnitHistory]) -> Answer:
    """Show a unit's history; several when parts share the serial."""
    sentences, pictures = [], []
    rows = []
    for life in lives:
        last = life.visits[-1]
        sentences.append(
            f"{life.part} {life.serial}: {count(len(life.visits), 'visit')} since "
            f"{life.visits[0].started:%Y-%m-%d}; the last, on {last.started:%Y-%m-%d}, said "
            f"{last.disposition}."
        )
        rows += [
            (
                visit.started,
                life.part,
                visit.run,
                visit.stand,
                "simulated" if visit.simulated else "hardware",
                visit.disposition,
                visit.state,
                visit.checks,
                visit.not_performed,
                "; ".join(_reported(visit)),
            )
            for visit in life.visits
        ]
        pictures.append(drawings.visits_line(life.visits))
        pictures += [drawings.trend_line(trend) for trend in life.trends]
    columns = (
        *("date", "part", "run", "stand", "kind", "disposition", "journal"),
        *("checks", "not performed", "findings"),
    )
    moved = [
        (drawings.title_of(trend.quantity), len(trend.points), trend.points[0].value, trend.points[-1].value,
         symbol(trend.quantity.unit), trend.moved)
        for life in lives
        for trend in life.trends
    ]  # fmt: skip
    return Answer(
        title=f"Unit history: {lives[0].serial}",
        sentences=sentences,
        tables=[
            AnswerTable("Visits", columns, rows, brief=("date", "stand", "kind", "disposition", "findings")),
            AnswerTable(
                "Readings that moved most, in widths of their limits",
                ("reading", "visits", "first", "last", "unit", "moved"),
                moved,
                "no reading was taken twice",
            ),
        ],
        drawings=pictures,
        data=list(lives),
    )


def of_part(
    first: FirstPass,
    over_time: Sequence[YieldOfPeriod],
    causes: Pareto,
    stand_faults: Pareto,
    proof: Pooled,
    *,
    cures: Sequence[CureRate],
) -> Answer:
    """Show a part: yield, causes, what cured them, and what all units prove together."""
    kind = "simulated" if first.simulated else "on hardware"
    sentences = [_yield_words(first, kind), *_proof_words(proof)]
    if stand_faults.causes_found:
        lost = join_truncated([cause.place for cause in stand_faults.causes], 4)
        sentences.append(
            f"{count(stand_faults.causes_found, 'fault')} blamed the stand and not the unit: {lost}."
        )
    pictures = []
    if first.share is not None and first.low is not None and first.high is not None:
        pictures.append(drawings.share_bar(first.low, first.share, first.high, "First-pass yield"))
    pictures += [drawings.yield_line(over_time), drawings.pareto_bars(causes)]
    rows = [
        (one.place, one.stage, one.title, one.units, one.times, Share(one.share), Share(one.cumulative))
        for one in causes.causes
    ]
    return Answer(
        title=f"Part {first.part}",
        sentences=sentences,
        tables=[
            AnswerTable(
                "Where and how units failed, commonest first",
                ("place", "stage", "check", "units", "times", "share", "cumulative"),
                rows,
                "no unit failed",
                ("place", "check", "units", "times", "cumulative"),
            ),
            AnswerTable(
                "What cured units that had failed",
                ("action", "units", "cured", "share", "lower bound", "upper bound"),
                [
                    (one.action, one.units, one.cured, *map(Share, (one.share, one.low, one.high)))
                    for one in cures
                ],
                f"too few repairs yet: an action is counted once it was done to {ENOUGH_REPAIRS} units",
            ),
            AnswerTable(
                "First-pass yield over time",
                ("period", "units", "passed", "yield", "lower bound", "upper bound"),
                [
                    (one.period, one.units, one.passed, *map(Share, (one.share, one.low, one.high)))
                    for one in over_time
                ],
                "no unit was judged yet",
            ),
            AnswerTable("Visits", ("disposition", "visits"), list(first.dispositions.items())),
        ],
        drawings=pictures,
        data={
            "first_pass": first,
            "yield_over_time": list(over_time),
            "pareto": causes,
            "stand_faults": stand_faults,
            "pooled": proof,
            "cures": list(cures),
        },
    )


def _yield_words(first: FirstPass, kind: str) -> str:
    seen = f"{count(first.visits, 'visit')} {kind}"
    waiting = f"; {count(first.undecided_units, 'unit')} not judged yet" if first.undecided_units else ""
    if first.share is None or first.low is None or first.high is None:
        return f"{seen}: no unit was judged yet{waiting}."
    return (
        f"First-pass yield {percent(first.share)}: {first.passed} of {count(first.units, 'unit')} shipped on "
        f"the first pass ({percent(first.confidence, 0)} bounds, exact: {percent(first.low)} to "
        f"{percent(first.high)})"
        f"{waiting}; {seen}."
    )


def _proof_words(proof: Pooled) -> list[str]:
    sure = f"{percent(proof.confidence, 0)} confidence"
    words = []
    if starts := proof.starts:
        words.append(
            f"{starts.starts} cold starts of {count(starts.units, 'unit')}, "
            + (
                f"{starts.failed} failed on {count(starts.units_failed, 'unit')}"
                if starts.failed
                else "none failed"
            )
            + f": a start of such units succeeds with a probability of at least "
            f"{_floor(starts.proven)} on average ({sure}; each unit counts once, for units differ)."
        )
    if soaks := proof.soaks:
        words.append(
            f"{soaks.hours:.5g} h of soak on {count(soaks.units, 'unit')}, {count(soaks.faults, 'fault')}: "
            f"the mean time between faults is at least {_hours(soaks.proven)} h ({sure}, if all units fail at one "
            "constant rate)."
        )
    return words


def _hours(proven: float) -> str:
    """Return proven hours, never rounded up."""
    return f"{math.floor(proven)}" if proven >= 100 else f"{math.floor(proven * 10) / 10:g}"  # noqa: PLR2004


def _floor(share: float) -> str:
    """Return a proven share, never rounded up."""
    return percent(math.floor(share * 1e5) / 1e5, 3)


def of_reading(history: ReadingHistory) -> Answer:
    """Show a reading: spreads, charts and rule violations."""
    rows = [
        (one.quantity.place, one.quantity.kind, symbol(one.quantity.unit), one.count, one.units, one.mean,
         one.deviation, one.min, one.max, one.marginal, one.failed)
        for one in history.spreads
    ]  # fmt: skip
    total = sum(one.count for one in history.spreads)
    sentences = [
        f"{count(total, 'value')} of {history.name!r} in {count(len(history.spreads), 'series', 'series')}."
    ]
    if len(history.spreads) > len(history.charts):
        sentences.append(f"Charts of the {len(history.charts)} that need a look most; others with --place.")
    sentences += [_chart_words(chart) for chart in history.charts]
    struck = [
        (drawings.title_of(chart.quantity), point.at, point.stand, point.serial, point.value,
         symbol(chart.quantity.unit), signal.rule)
        for chart in history.charts
        for signal in chart.signals
        for point in [chart.points[signal.index]]
    ]  # fmt: skip
    return Answer(
        title=f"{history.name} of part {history.part}",
        sentences=sentences,
        tables=[
            AnswerTable(
                "Spread",
                (
                    *("place", "check", "unit", "values", "units", "mean", "deviation"),
                    *("min", "max", "marginal", "failed"),
                ),
                rows,
                brief=("place", "check", "unit", "values", "mean", "deviation", "marginal", "failed"),
            ),
            AnswerTable(
                "Rule violations (Western Electric, Statistical Quality Control Handbook, 1956)",
                ("reading", "date", "stand", "serial", "value", "unit", "rule"),
                struck,
                brief=("date", "stand", "serial", "value", "rule"),
            ),
        ],
        drawings=[drawings.control_chart(chart) for chart in history.charts],
        data=history,
    )


def _chart_words(chart: Chart) -> str:
    title = drawings.title_of(chart.quantity)
    if chart.limits is None:
        return f"{title}: too few values, or all alike: no control limits."
    shown = scale_of(chart.quantity.unit, [chart.limits.centre, chart.limits.upper])
    limits = span(shown, chart.limits.lower, chart.limits.upper)
    state = (
        f"{count(len(chart.signals), 'rule violation')}: not in control" if chart.signals else "in control"
    )
    words = f"{title}: {state}; control limits {limits} over the last {len(chart.points)} values."
    if chart.risks is not None:
        words += (
            f" If units are as these values say (normal, JCGM 106 9.5), {100 * chart.risks.consumer:.2g} % of all are "
            f"accepted though outside the limits, and {100 * chart.risks.producer:.2g} % refused though inside "
            f"(decision rule: {chart.points[-1].rule})."
        )
    return words


def of_retested(found: Sequence[Retested], part: str | None) -> Answer:
    """Show which units were tested until they passed."""
    soon = [one for one in found if one.hours_between <= SOON_HOURS]
    sentences = [f"{count(len(found), 'unit')} passed after failing."]
    if soon:
        names = join_truncated([one.serial for one in soon])
        sentences.append(
            f"{len(soon)} of them within {SOON_HOURS:g} h of the failure: {names}. Unless a repair is on "
            "record, such a unit has a fault that comes and goes: test it again before it ships."
        )
    return Answer(
        title="Units retested until they passed" + (f": part {part}" if part else ""),
        sentences=sentences,
        tables=[
            AnswerTable(
                "Soonest after a failure first",
                (
                    *("part", "serial", "failed", "undecided", "last failed", "passed"),
                    *("hours between", "places"),
                ),
                [
                    (one.part, one.serial, one.failed, one.undecided, one.last_failed, one.passed,
                     one.hours_between, join_truncated(one.places))
                    for one in found
                ],
                brief=("part", "serial", "failed", "passed", "hours between", "places"),
            )
        ],
        data=list(found),
    )  # fmt: skip


def of_calibrations_due(found: Sequence[CalibrationDue], within_days: int) -> Answer:
    """Show which instruments must be calibrated."""
    late = [one for one in found if one.state is Due.OVERDUE]
    sentences = []
    if late:
        names = join_truncated([f"{one.instrument} on {one.stand}" for one in late])
        sentences.append(
            f"Overdue: {names}. A run with an overdue instrument proves nothing: calibrate it now."
        )
    runs = sum(one.runs_after_due for one in late)
    if runs:
        sentences.append(f"{count(runs, 'use')} in a run after the due date.")
    soon = [one for one in found if one.state is Due.SOON]
    if soon:
        names = join_truncated([f"{one.instrument} on {one.stand}" for one in soon])
        sentences.append(f"Due within {within_days} days: {names}.")
    if not sentences:
        sentences.append(f"No instrument in use is overdue or due within {within_days} days.")
    return Answer(
        title="Calibration due",
        sentences=sentences,
        tables=[
            AnswerTable(
                "By the calibration each had when last used",
                (
                    *("state", "due", "stand", "instrument", "what", "identity", "certificate"),
                    *("last used", "runs", "runs after due"),
                ),
                [
                    (str(one.state), one.due, one.stand, one.instrument, one.what, one.identity,
                     one.certificate, one.last_used, one.runs, one.runs_after_due)
                    for one in found
                ],
                brief=("state", "due", "stand", "instrument", "certificate", "runs after due"),
            )
        ],
        data=list(found),
    )  # fmt: skip


# -- how well it is measured ---------------------------------------------------------------------------


def of_gauge(found: Sequence[SlotGauge], part: str, name: str) -> Answer:
    """Show how much of the spread of a reading comes from the measurement, and which share of its limits that takes."""
    return Answer(
        title=f"Gauge study of {name} of part {part}",
        sentences=[_gauge_words(one) for one in found],
        tables=[
            AnswerTable(
                "Standard deviations by source",
                ("place", "source", "deviation", "share of the variance %", "unit"),
                [
                    (
                        one.quantity.place,
                        source,
                        math.sqrt(variance) * scale.factor,
                        100.0 * share,
                        scale.unit,
                    )
                    for one in found
                    for scale in [scale_of(one.quantity.unit, [math.sqrt(one.study.total)])]
                    for source, variance, share in _sources(one.study)
                ],
            ),
            AnswerTable(
                "Analysis of variance",
                (
                    "place",
                    "source",
                    "sum of squares",
                    "degrees of freedom",
                    "mean square",
                    "F",
                    "probability",
                ),
                [
                    (
                        one.quantity.place,
                        row.source,
                        row.squares,
                        row.degrees,
                        row.mean_square,
                        row.f,
                        row.probability,
                    )
                    for one in found
                    for row in one.study.rows
                ],
            ),
        ],
        data=list(found),
    )


def _sources(study: GaugeStudy) -> list[tuple[str, float, float]]:
    parts = {
        "repeatability": study.repeatability,
        "between slots": study.places,
        "slot and unit together": study.interaction,
        "measuring, all three": study.gauge,
        "between units": study.units,
        "all": study.total,
    }
    return [(source, value, value / study.total if study.total else 0.0) for source, value in parts.items()]


def _gauge_words(one: SlotGauge) -> str:
    study = one.study
    tested = (
        f"{count(len(one.units), 'unit')}, {one.repeats} times each in {join_truncated(one.slots)}: "
        f"{join_truncated(one.units)}"
    )
    words = (
        f"{drawings.title_of(one.quantity)}: the measuring makes {percent(study.share)} of the standard deviation "
        f"({tested}). It distinguishes {count(study.distinct, 'group')} of such units."
    )
    if one.width:
        words += (
            f" Six of its standard deviations are {percent(study.to_tolerance(one.width))} of the limits."
        )
    return words


# -- stand against stand -------------------------------------------------------------------------------


def of_stands(compared: StandComparison) -> Answer:
    """Show how the stands agree."""
    rows = [
        (row.quantity.place, row.stand, row.units, row.units_elsewhere, symbol(row.quantity.unit), row.shift, row.low,
         row.high, row.probability, row.uncertainty, row.drift, row.drift_probability, _stand_verdict(row))
        for row in compared.rows
    ]  # fmt: skip
    sentences = [_stand_words(row) for row in compared.rows if row.differs]
    sentences += _drift_words(compared.rows)
    if not sentences:
        sentences = ["No stand differs from the others, and none drifts, as far as these units tell."]
    if compared.screened:
        sentences.append(
            f"{count(compared.screened, 'further series', 'further series')} only looked at by their means, "
            "which lie nearer together; ask for one with --place."
        )
    sentences.append(
        f"The last {compared.last} visits at most, one value per unit and stand; rank sum and Mann-Kendall, "
        "probabilities adjusted for the number of questions (Holm). Different stands see different units: "
        "where it matters, measure one unit on each."
    )
    return Answer(
        title=f"Stand against stand: {compared.name} of part {compared.part}",
        sentences=sentences,
        tables=[
            AnswerTable(
                "Each stand against all others",
                (
                    *(
                        "place",
                        "stand",
                        "units",
                        "units elsewhere",
                        "unit",
                        "shift",
                        "shift from",
                        "shift to",
                    ),
                    *("probability", "uncertainty", "drift per 30 days", "drift probability", "verdict"),
                ),
                rows,
                brief=("place", "stand", "units", "unit", "shift", "uncertainty", "probability", "verdict"),
            )
        ],
        drawings=[drawings.stand_strips(quantity, values) for quantity, values in compared.values.items()],
        data={
            "part": compared.part,
            "name": compared.name,
            "simulated": compared.simulated,
            "last": compared.last,
            "screened": compared.screened,
            "rows": compared.rows,
        },
    )


def _quantity(shown: DisplayScale, value: float) -> str:
    return f"{brief(shown, value)} {shown.unit}".strip()


def _stand_verdict(row: StandRow) -> str:
    words = []
    if row.differs:
        words.append("differs beyond uncertainty" if row.beyond_uncertainty else "differs")
    if row.drifts:
        words.append("drifts")
    return ", ".join(words) or "agrees"


def _stand_words(row: StandRow) -> str:
    shown = scale_of(row.quantity.unit, [row.shift, row.low, row.high])
    way = "above" if row.shift > 0 else "below"
    bounds = ""
    if row.low is not None and row.high is not None:
        bounds = f" (95 %: {span(shown, row.low, row.high)})"
    if row.uncertainty is None:
        meaning = "the stands state no uncertainty to hold it against"
    elif row.beyond_uncertainty:
        meaning = f"more than their stated uncertainty {_quantity(shown, row.uncertainty)}: calibrate"
    else:
        meaning = f"within their stated uncertainty {_quantity(shown, row.uncertainty)}"
    return (
        f"{row.stand} reads {row.quantity.name} at {row.quantity.place} {_quantity(shown, abs(row.shift))} "
        f"{way} the others{bounds}, {meaning}."
    )


def _drift_words(rows: Sequence[StandRow]) -> list[str]:
    """Show drifts place by place: of one stand, or of all at once, which blames the units."""
    words = []
    for quantity in sorted({row.quantity for row in rows}):
        of_it = [row for row in rows if row.quantity == quantity]
        drifting = [row for row in of_it if row.drifts]
        if not drifting:
            continue
        shown = scale_of(quantity.unit, [row.drift for row in drifting])
        moves = join_truncated([f"{row.stand} by {_quantity(shown, row.drift)}" for row in drifting])
        if len(drifting) < len(of_it):
            cause = "the others do not: look at the stand"
        elif len({row.drift > 0 for row in drifting}) == 1:
            cause = "every stand, the same way: look at the units, not at a stand"
        else:
            cause = "every stand, but not the same way: look at each"
        words.append(f"{quantity.name} at {quantity.place} drifts per 30 days: {moves}; {cause}.")
    return words
