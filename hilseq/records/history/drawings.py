"""Drawings of the history: shapes carry the meaning, so that they say the same in black and white."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from markupsafe import Markup

from hilseq.records.history.answer import percent
from hilseq.records.history.pareto import Pareto
from hilseq.records.history.reading_chart import Chart
from hilseq.records.history.scope import Quantity
from hilseq.records.history.stand_readings import StandValue
from hilseq.records.history.unit_life import LifeVisit, Trend
from hilseq.reports import svg
from hilseq.reports.formatting import DISPOSITION_SIGNS, Scale, scale_of
from hilseq.reports.svg_plot import steps
from hilseq.verdicts import Disposition

WIDTH = 760.0
_LEFT, _RIGHT = 74.0, 748.0
_MOST_BARS = 15
_BAR = 22.0
#: Half the size of a mark, and the height of a letter above its line.
_MARK, _RISE = 3.5, 4.0
#: Room at the left of a chart for the words of its lines.
_WORDS = 122.0


@dataclass(frozen=True, slots=True)
class Axis:
    """A linear scale from values to heights; `low` is drawn at `bottom`."""

    low: float
    high: float
    top: float
    bottom: float

    def __call__(self, value: float) -> float:
        """Return the height of a value, clipped to the drawing."""
        share = (value - self.low) / (self.high - self.low)
        return self.bottom - min(max(share, 0.0), 1.0) * (self.bottom - self.top)


def axis(values: Sequence[float | None], top: float, bottom: float) -> Axis:
    """Return a scale that holds all values with a little air."""
    known = [value for value in values if value is not None] or [0.0]
    low, high = min(known), max(known)
    air = 0.08 * (high - low) or abs(high) * 0.05 or 1.0
    return Axis(low - air, high + air, top, bottom)


def _frame(scale: Axis, shown: Scale) -> list[Markup]:
    parts = [svg.box(_LEFT, scale.top, _RIGHT - _LEFT, scale.bottom - scale.top, "frame")]
    for value in steps(scale.low * shown.factor, scale.high * shown.factor, 4):
        height = scale(value / shown.factor)
        parts.append(svg.line(_LEFT, height, _RIGHT, height, "grid"))
        parts.append(svg.label(f"{value:.6g}", _LEFT - 6, height + _RISE, "number", anchor="end"))
    return parts


def _level(scale: Axis, value: float | None, class_: str, words: str) -> list[Markup]:
    if value is None or not scale.low < value < scale.high:
        return []
    height = scale(value)
    label = svg.label(words, _LEFT + 6, height + _RISE, "level")
    return [svg.line(_LEFT, height, _RIGHT, height, class_), label]


def brief(shown: Scale, value: float) -> str:
    """Return a number of a statistic: three digits say all it knows."""
    return f"{value * shown.factor:.3g}"


def mark(x: float, y: float, verdict: str) -> Markup:
    """Return the mark of a reading: a disc conforms, a diamond is marginal, a cross fails."""
    if verdict == "fails":
        return svg.element(
            "path",
            d=f"M{svg.place(x - _MARK)} {svg.place(y - _MARK)}l7 7m0 -7l-7 7",
            class_="cross",
        )
    if verdict == "marginal":
        return svg.element("path", d=f"M{svg.place(x)} {svg.place(y - 5)}l5 5l-5 5l-5 -5z", class_="diamond")
    return svg.element("circle", cx=x, cy=y, r=2.5, class_="dot")


def _places(count: int) -> list[float]:
    first, last = _LEFT + _WORDS, _RIGHT - 8
    return [first + (last - first) * (n / max(1, count - 1)) for n in range(count)]


def title_of(quantity: Quantity) -> str:
    """Return `on voltage at q05 (point follows)`."""
    return f"{quantity.name} at {quantity.place} ({quantity.kind})"


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
    upper = axis([*values, *drawn, *near], 24.0, 190.0)
    ranges = [abs(b - a) for a, b in pairwise(values)]
    lower = axis([0.0, *ranges, *([limits.upper_range] if limits else [])], 214.0, 290.0)
    parts = [*_frame(upper, shown), *_frame(lower, shown)]
    for height, words in ((last.low, "lowest allowed"), (last.high, "highest allowed")):
        parts += _level(upper, height, "limit", words)
    if limits:
        for height, words in (
            (limits.lower, "\u22123 sigma"),
            (limits.centre, "mean"),
            (limits.upper, "+3 sigma"),
        ):
            parts += _level(upper, height, "control", words)
        parts += _level(lower, limits.upper_range, "control", "highest range")
    xs = _places(len(values))
    parts.append(svg.path(zip(xs, map(upper, values), strict=True), "way"))
    parts.append(svg.path(zip(xs[1:], map(lower, ranges), strict=True), "way"))
    struck = {signal.index for signal in chart.signals}
    for number, (x, point) in enumerate(zip(xs, chart.points, strict=True)):
        parts.append(mark(x, upper(point.value), point.verdict))
        if number in struck:
            parts.append(svg.element("circle", cx=x, cy=upper(point.value), r=6, class_="ring"))
    unit = f" ({shown.unit})" if shown.unit else ""
    parts.append(svg.label(f"{title_of(chart.quantity)}{unit}", 4, 14, "name"))
    parts.append(svg.label("moving range", 4, 208, "number"))
    for x, point, anchor in ((_LEFT + _WORDS, chart.points[0], "middle"), (_RIGHT, last, "end")):
        parts.append(svg.label(f"{point.at:%Y-%m-%d}", x, 306, "number", anchor=anchor))
    told = f"{len(values)} values; {len(struck)} of them complete a rule that calls them strange"
    return svg.drawing((WIDTH, 312.0), title_of(chart.quantity), told, parts, "plot")


def pareto_bars(found: Pareto) -> Markup:
    """Draw the commonest causes as bars of affected units."""
    causes = found.causes[:_MOST_BARS]
    if not causes:
        return Markup()
    left, most = 300.0, max(cause.units for cause in causes)
    title = "Units by place and kind of failure (share of findings so far)"
    parts = [svg.label(title, 4, 14, "name")]
    for number, cause in enumerate(causes):
        top = 26 + number * _BAR
        width = (_RIGHT - left - 90) * cause.units / most
        words = f"{cause.place}: {cause.kind}"
        parts.append(svg.label(words[:46], left - 8, top + 13, "number", anchor="end"))
        parts.append(svg.box(left, top, width, _BAR - 6, "bar"))
        share = f"{cause.units} ({percent(cause.cumulative, 0)})"
        parts.append(svg.label(share, left + width + 6, top + 13, "number"))
    told = "; ".join(f"{cause.place} {cause.kind}: {cause.units} units" for cause in causes[:5])
    size = (WIDTH, 30 + _BAR * len(causes))
    return svg.drawing(size, title, told, parts, "plot")


def share_bar(low: float, share: float, high: float, title: str) -> Markup:
    """Draw a share between its exact bounds on a line from 0 to 100 %."""
    left, right, middle = 30.0, 724.0, 44.0

    def x(value: float) -> float:
        return left + (right - left) * value

    parts = [svg.label(title, 4, 14, "name"), svg.line(left, middle, right, middle, "grid")]
    parts.append(svg.box(x(low), middle - 8, x(high) - x(low), 16, "bounds"))
    parts.append(svg.line(x(share), middle - 14, x(share), middle + 14, "centre"))
    for tenth in range(0, 11, 2):
        parts.append(svg.line(x(tenth / 10), 62, x(tenth / 10), 66, "tick"))
        parts.append(svg.label(f"{10 * tenth} %", x(tenth / 10), 80, "number", anchor="middle"))
    told = f"{percent(share)}, between {percent(low)} and {percent(high)}"
    return svg.drawing((WIDTH, 86.0), title, told, parts, "plot")


def life_line(visits: Sequence[LifeVisit]) -> Markup:
    """Draw a unit's visits in their order, each with its sign and word."""
    shown = list(visits[-9:])
    if not shown:
        return Markup()
    width = (_RIGHT - 40) / len(shown)
    parts = [svg.line(20, 34, _RIGHT, 34, "grid")]
    for number, visit in enumerate(shown):
        x = 20 + width * (number + 0.5)
        class_ = f"stop {visit.disposition.replace(' ', '-')}"
        parts.append(svg.element("circle", cx=x, cy=34, r=12, class_=class_))
        sign = DISPOSITION_SIGNS.get(Disposition(visit.disposition), "?")
        parts.append(svg.label(sign, x, 39, "sign", anchor="middle"))
        parts.append(svg.label(f"{visit.started:%Y-%m-%d}", x, 64, "number", anchor="middle"))
        parts.append(svg.label(visit.disposition, x, 14, "number", anchor="middle"))
    told = "; ".join(f"{visit.started:%Y-%m-%d} {visit.disposition}" for visit in shown)
    return svg.drawing((WIDTH, 72.0), f"The last {len(shown)} visits", told, parts, "plot")


def trend_line(trend: Trend) -> Markup:
    """Draw one reading over a unit's visits, with its limits."""
    values = [point.value for point in trend.points]
    last = trend.points[-1]
    shown = scale_of(trend.quantity.unit, values)
    scale = axis([*values, last.low, last.high], 24.0, 110.0)
    parts = _frame(scale, shown)
    for height, words in ((last.low, "lowest allowed"), (last.high, "highest allowed")):
        parts += _level(scale, height, "limit", words)
    xs = _places(len(values))
    parts.append(svg.path(zip(xs, map(scale, values), strict=True), "way"))
    parts += [mark(x, scale(point.value), point.verdict) for x, point in zip(xs, trend.points, strict=True)]
    unit = f" ({shown.unit})" if shown.unit else ""
    parts.append(svg.label(f"{title_of(trend.quantity)}{unit}", 4, 14, "name"))
    for x, point, anchor in ((_LEFT + _WORDS, trend.points[0], "middle"), (_RIGHT, last, "end")):
        parts.append(svg.label(f"{point.started:%Y-%m-%d}", x, 126, "number", anchor=anchor))
    told = f"{len(values)} visits, from {shown.quantity(values[0])} to {shown.quantity(values[-1])}"
    return svg.drawing((WIDTH, 132.0), title_of(trend.quantity), told, parts, "plot")


_MOST_DOTS = 150
_STRIP = 34.0


def stand_strips(quantity: Quantity, values: Sequence[StandValue]) -> Markup:
    """Draw one strip of dots per stand on a common scale, the median as a bar."""
    stands = sorted({value.stand for value in values})
    shown = scale_of(quantity.unit, [value.value for value in values])
    left = 150.0
    scale = axis([value.value for value in values], 0.0, 1.0)

    def x(value: float) -> float:
        return left + (_RIGHT - left) * (1.0 - scale(value))

    bottom = 24 + _STRIP * len(stands)
    parts = [
        svg.label(f"{title_of(quantity)} ({shown.unit})" if shown.unit else title_of(quantity), 4, 14, "name")
    ]
    for value in steps(scale.low * shown.factor, scale.high * shown.factor, 6):
        parts.append(svg.line(x(value / shown.factor), 24, x(value / shown.factor), bottom, "grid"))
        parts.append(
            svg.label(f"{value:.6g}", x(value / shown.factor), bottom + 16, "number", anchor="middle")
        )
    told = []
    for number, stand in enumerate(stands):
        mine = [value.value for value in values if value.stand == stand]
        middle, line = median(mine), 24 + _STRIP * (number + 0.5)
        parts.append(svg.label(f"{stand} ({len(mine)})", left - 8, line + _RISE, "number", anchor="end"))
        parts += [
            svg.element("circle", cx=x(value), cy=line + 5 * (n % 3 - 1), r=2, class_="dot")
            for n, value in enumerate(mine[-_MOST_DOTS:])
        ]
        parts.append(svg.line(x(middle), line - 13, x(middle), line + 13, "centre"))
        told.append(f"{stand}: median {shown.quantity(middle)} of {len(mine)} units")
    return svg.drawing((WIDTH, bottom + 24), title_of(quantity), "; ".join(told), parts, "plot")
