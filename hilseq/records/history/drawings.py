"""Drawings of the history: shapes carry the meaning, so that they say the same in black and white."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise
from statistics import median

from markupsafe import Markup

from hilseq.records.history.answer import Quantity, percent
from hilseq.records.history.part import Pareto, YieldOfPeriod
from hilseq.records.history.reading import Chart
from hilseq.records.history.stands import StandValue
from hilseq.records.history.unit_history import ReadingTrend, UnitVisit
from hilseq.reports import svg
from hilseq.reports.formatting import DISPOSITION_SIGNS, DisplayScale, scale_of
from hilseq.verdicts import Disposition

WIDTH = 760.0
_LEFT, _RIGHT = 74.0, 748.0
_MOST_BARS = 15
_BAR = 22.0
#: Letters that fit beside a bar.
_LABEL = 50
#: Size of the marks, and the height of a letter above its line.
_MARK, _RISE = 2.8, 4.0
#: Room at the left of a chart for the words of its lines.
_WORDS = 122.0


def span(shown: DisplayScale, low: float, high: float) -> str:
    """Return `108.06 to 108.34 mA`, with as many decimals as tell the two ends apart."""
    width = abs(high - low) * shown.factor
    decimals = min(max(1 - math.floor(math.log10(width)), 0), 9) if 0 < width < math.inf else 3
    return f"{low * shown.factor:.{decimals}f} to {high * shown.factor:.{decimals}f} {shown.unit}".strip()


def brief(shown: DisplayScale, value: float) -> str:
    """Return a number of a statistic: three digits say all it knows."""
    return f"{value * shown.factor:.3g}"


def _places(count: int) -> list[float]:
    first, last = _LEFT + _WORDS, _RIGHT - 8
    return [first + (last - first) * (n / max(1, count - 1)) for n in range(count)]


def title_of(quantity: Quantity) -> str:
    """Return `voltage when off at q05, outputs`: what is read, where, and in which stage."""
    return f"{quantity.name} at {quantity.place}, {quantity.stage}"


def _dates(moments: Sequence[datetime]) -> list[str]:
    """Return dates; month, day and time where two are on one day."""
    days = [f"{moment:%Y-%m-%d}" for moment in moments]
    return days if len(set(days)) == len(days) else [f"{moment:%m-%d %H:%M}" for moment in moments]


def control_chart(chart: Chart) -> Markup:
    """Draw single values with their control limits above, moving ranges below; signals are ringed."""
    values = [point.value for point in chart.points]
    if not values:
        return Markup()
    limits, last = chart.limits, chart.points[-1]
    shown = scale_of(chart.quantity.unit, values)
    drawn = [limits.lower, limits.upper] if limits else []
    span = max(values) - min(values) or abs(values[0]) or 1.0
    near = [v for v in (last.low, last.high) if v is not None and min(values) - span < v < max(values) + span]
    above, below = svg.PlotFrame(_LEFT, 24.0, _RIGHT, 190.0), svg.PlotFrame(_LEFT, 214.0, _RIGHT, 290.0)
    upper = svg.Axis.around([*values, *drawn, *near], above.bottom, above.top)
    ranges = [abs(b - a) for a, b in pairwise(values)]
    highest = [limits.upper_range] if limits else [] if any(ranges) else [span / 10.0]
    lower = svg.Axis.around([0.0, *ranges, *highest], below.bottom, below.top)
    parts = [*above.upwards(upper, 4, shown.factor), *below.upwards(lower, 4, shown.factor)]
    for height, words in ((last.low, "lower limit"), (last.high, "upper limit")):
        parts += above.level(upper, height, "limit", words)
    if limits:
        for height, words in (
            (limits.lower, "\u22123 sigma"),
            (limits.centre, "mean"),
            (limits.upper, "+3 sigma"),
        ):
            parts += above.level(upper, height, "control", words)
        parts += below.level(lower, limits.upper_range, "control", "upper control limit")
    xs = _places(len(values))
    parts.append(svg.path(zip(xs, map(upper, values), strict=True), "way"))
    parts.append(svg.path(zip(xs[1:], map(lower, ranges), strict=True), "way"))
    struck = {signal.index for signal in chart.signals}
    for number, (x, point) in enumerate(zip(xs, chart.points, strict=True)):
        parts.append(svg.mark(x, upper(point.value), point.verdict, _MARK))
        if number in struck:
            parts.append(svg.element("circle", cx=x, cy=upper(point.value), r=6, class_="ring"))
    unit = f" ({shown.unit})" if shown.unit else ""
    parts.append(svg.label(f"{title_of(chart.quantity)}{unit}", 4, 14, "name"))
    parts.append(svg.label("moving range", 4, 208, "number"))
    dates = _dates([chart.points[0].at, last.at])
    for x, date, anchor in zip((_LEFT + _WORDS, _RIGHT), dates, ("middle", "end"), strict=True):
        parts.append(svg.label(date, x, 306, "number", anchor=anchor))
    reported = f"{len(values)} values; {len(struck)} of them rule violations"
    return svg.drawing((WIDTH, 312.0), title_of(chart.quantity), reported, parts, "plot")


def pareto_bars(found: Pareto) -> Markup:
    """Draw the commonest causes as bars of affected units."""
    causes = found.causes[:_MOST_BARS]
    if not causes:
        return Markup()
    frame = svg.PlotFrame(342.0, 40.0, _RIGHT - 20, 40.0 + _BAR * len(causes))
    units = svg.Axis(0.0, max(cause.units for cause in causes), frame.left, frame.right)
    share = svg.Axis(0.0, 1.0, frame.left, frame.right)
    title = "Failures by place and check: units affected (bars), share of all causes so far (line)"
    parts = [svg.label(title, 4, 14, "name")]
    parts += [svg.line(x, frame.top, x, frame.bottom, "grid") for _, x in share.steps(5)]
    parts += [
        svg.label(f"{100 * step:g} %", x, frame.top - 5, "number", anchor="middle")
        for step, x in share.steps(5)
    ]
    for number, cause in enumerate(causes):
        top = frame.top + number * _BAR
        words = f"{cause.place}: {cause.title}"
        if len(words) > _LABEL:
            words = f"{words[: _LABEL - 1]}\u2026"
        parts.append(
            svg.label(
                words,
                frame.left - 8,
                top + 15,
                "number",
                anchor="end",
            )
        )
        parts.append(svg.box(frame.left, top + 2, units(cause.units) - frame.left, _BAR - 6, "bar"))
        parts.append(svg.label(str(cause.units), frame.left + 5, top + 15, "in-bar"))
    way = [
        (share(cause.cumulative), frame.top + (number + 0.5) * _BAR) for number, cause in enumerate(causes)
    ]
    parts.append(svg.path(way, "cumulative"))
    parts += [svg.element("circle", cx=x, cy=y, r=2.5, class_="cumulative") for x, y in way]
    reported = "; ".join(f"{cause.place}, {cause.title}: {cause.units} units" for cause in causes[:5])
    size = (WIDTH, frame.bottom + 6)
    return svg.drawing(size, title, reported, parts, "plot")


def share_bar(low: float, share: float, high: float, title: str) -> Markup:
    """Draw a share between its exact bounds on a line from 0 to 100 %."""
    frame, middle = svg.PlotFrame(30.0, 20.0, 724.0, 62.0), 44.0
    x = svg.Axis(0.0, 1.0, frame.left, frame.right)
    parts = [svg.label(title, 4, 14, "name"), svg.line(frame.left, middle, frame.right, middle, "grid")]
    parts.append(svg.box(x(low), middle - 8, x(high) - x(low), 16, "bounds"))
    parts.append(svg.line(x(share), middle - 14, x(share), middle + 14, "centre"))
    parts += frame.across((at, f"{100 * step:g} %") for step, at in x.steps(5))
    reported = f"{percent(share)}, between {percent(low)} and {percent(high)}"
    return svg.drawing((WIDTH, 86.0), title, reported, parts, "plot")


#: Periods that a drawing of the yield shows, the last ones; a table beside it has all.
_MOST_PERIODS = 26
#: Dates that fit below it.
_MOST_DATES = 7


def yield_line(periods: Sequence[YieldOfPeriod]) -> Markup:
    """Draw the first-pass yield over time: each period's share between its bounds, and how many units it counts."""
    shown = periods[-_MOST_PERIODS:]
    if len(shown) < 2:  # noqa: PLR2004 - one point has no course
        return Markup()
    frame = svg.PlotFrame(_LEFT, 30.0, _RIGHT, 150.0)
    axis = svg.Axis(0.0, 1.0, frame.bottom, frame.top)
    title = "First-pass yield over time, %, with 95 % bounds; units counted below"
    parts = [svg.label(title, 4, 14, "name"), *frame.upwards(axis, 5, 100.0)]
    width = frame.width / len(shown)
    xs = [frame.left + width * (number + 0.5) for number in range(len(shown))]
    parts.append(svg.path(((x, axis(one.share)) for x, one in zip(xs, shown, strict=True)), "way"))
    every = max(1, math.ceil(len(shown) / _MOST_DATES))
    for number, (x, one) in enumerate(zip(xs, shown, strict=True)):
        parts.append(svg.line(x, axis(one.low), x, axis(one.high), "centre"))
        parts.append(svg.element("circle", cx=x, cy=axis(one.share), r=4, class_="dot"))
        parts.append(svg.label(one.units, x, frame.bottom + 16, "number", anchor="middle"))
        if number % every == 0:
            parts.append(svg.label(one.period, x, frame.bottom + 32, "number", anchor="middle"))
    first, last = shown[0], shown[-1]
    reported = f"from {percent(first.share)} in {first.period} to {percent(last.share)} in {last.period}"
    return svg.drawing((WIDTH, frame.bottom + 40), title, reported, parts, "plot")


def visits_line(visits: Sequence[UnitVisit]) -> Markup:
    """Draw a unit's visits in their order, each with its sign and word."""
    shown = list(visits[-9:])
    if not shown:
        return Markup()
    width = (_RIGHT - 40) / len(shown)
    parts = [svg.line(20, 34, _RIGHT, 34, "grid")]
    dates = _dates([visit.started for visit in shown])
    for number, (visit, date) in enumerate(zip(shown, dates, strict=True)):
        x = 20 + width * (number + 0.5)
        class_ = f"stop {visit.disposition.replace(' ', '-')}"
        parts.append(svg.element("circle", cx=x, cy=34, r=12, class_=class_))
        sign = DISPOSITION_SIGNS.get(Disposition(visit.disposition), "?")
        parts.append(svg.label(sign, x, 39, "sign", anchor="middle"))
        parts.append(svg.label(date, x, 64, "number", anchor="middle"))
        parts.append(svg.label(visit.disposition, x, 14, "number", anchor="middle"))
    reported = "; ".join(f"{visit.started:%Y-%m-%d} {visit.disposition}" for visit in shown)
    return svg.drawing((WIDTH, 72.0), f"The last {len(shown)} visits", reported, parts, "plot")


def trend_line(trend: ReadingTrend) -> Markup:
    """Draw one reading over a unit's visits, with its limits."""
    values = [point.value for point in trend.points]
    last = trend.points[-1]
    shown = scale_of(trend.quantity.unit, values)
    frame = svg.PlotFrame(_LEFT, 24.0, _RIGHT, 110.0)
    scale = svg.Axis.around([*values, last.low, last.high], frame.bottom, frame.top)
    parts = frame.upwards(scale, 4, shown.factor)
    for height, words in ((last.low, "lower limit"), (last.high, "upper limit")):
        parts += frame.level(scale, height, "limit", words)
    xs = _places(len(values))
    parts.append(svg.path(zip(xs, map(scale, values), strict=True), "way"))
    parts += [
        svg.mark(x, scale(point.value), point.verdict, _MARK)
        for x, point in zip(xs, trend.points, strict=True)
    ]
    unit = f" ({shown.unit})" if shown.unit else ""
    parts.append(svg.label(f"{title_of(trend.quantity)}{unit}", 4, 14, "name"))
    dates = _dates([trend.points[0].started, last.started])
    for x, date, anchor in zip((_LEFT + _WORDS, _RIGHT), dates, ("middle", "end"), strict=True):
        parts.append(svg.label(date, x, 126, "number", anchor=anchor))
    reported = f"{len(values)} visits, from {shown.quantity(values[0])} to {shown.quantity(values[-1])}"
    return svg.drawing((WIDTH, 132.0), title_of(trend.quantity), reported, parts, "plot")


_MOST_DOTS = 150
_STRIP = 34.0


def stand_strips(quantity: Quantity, values: Sequence[StandValue]) -> Markup:
    """Draw one strip of dots per stand on a common scale, the median as a bar."""
    stands = sorted({value.stand for value in values})
    shown = scale_of(quantity.unit, [value.value for value in values])
    frame = svg.PlotFrame(150.0, 24.0, _RIGHT, 24.0 + _STRIP * len(stands))
    x = svg.Axis.around([value.value for value in values], frame.left, frame.right)
    unit = f" ({shown.unit})" if shown.unit else ""
    parts = [svg.label(f"{title_of(quantity)}{unit}", 4, 14, "name")]
    for step, at in x.steps(6, shown.factor):
        parts.append(svg.line(at, frame.top, at, frame.bottom, "grid"))
        parts.append(svg.label(f"{step:.6g}", at, frame.bottom + 16, "number", anchor="middle"))
    reported = []
    for number, stand in enumerate(stands):
        mine = [value.value for value in values if value.stand == stand]
        middle, line = median(mine), 24 + _STRIP * (number + 0.5)
        parts.append(
            svg.label(f"{stand} ({len(mine)})", frame.left - 8, line + _RISE, "number", anchor="end")
        )
        parts += [
            svg.element("circle", cx=x(value), cy=line + 5 * (n % 3 - 1), r=2, class_="dot")
            for n, value in enumerate(mine[-_MOST_DOTS:])
        ]
        parts.append(svg.line(x(middle), line - 13, x(middle), line + 13, "centre"))
        reported.append(f"{stand}: median {shown.quantity(middle)} of {len(mine)} units")
    return svg.drawing((WIDTH, frame.bottom + 24), title_of(quantity), "; ".join(reported), parts, "plot")
