"""One reading drawn between its limits: acceptance zone, guard bands, uncertainty, and the mark.

Shapes carry the meaning, so that the drawing says the same in black and white: a disc conforms, a diamond
is marginal, a cross fails; the allowed zone has a solid frame, guard bands are hatched.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from markupsafe import Markup

from hilseq.reports import svg
from hilseq.reports.formatting import READING_WORDS, finite, scale, show_limits, show_value
from hilseq.reports.record import Reading

WIDTH, HEIGHT = 260.0, 46.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 12.0, 248.0, 6.0, 24.0
_MIDDLE = (_TOP + _BOTTOM) / 2
#: Where the limits stand across the drawing, as shares of its width: room outside for what fails.
_LOW_AT, _HIGH_AT = 0.2, 0.8
_NUMBERS_AT = 40.0
#: Smaller distances have no reciprocal.
_TINY = 1e-300


@dataclass(frozen=True, slots=True)
class _Axis:
    """A linear scale: `origin` stands at `anchor`, and `reach` away from it is `span` further right."""

    origin: float
    anchor: float
    reach: float
    span: float

    def _place(self, value: float) -> float:
        share = (value - self.origin) / (self.reach if self.reach > _TINY else 1.0)
        return self.anchor + self.span * (0.0 if math.isnan(share) else share)

    def __call__(self, value: float) -> float:
        return min(max(self._place(value), _LEFT), _RIGHT)

    def clipped(self, value: float) -> bool:
        return not _LEFT - 0.01 <= self._place(value) <= _RIGHT + 0.01


def _axis(reading: Reading, uncertainty: float) -> _Axis:
    low, high, value = finite(reading.low), finite(reading.high), finite(reading.value)
    width = _RIGHT - _LEFT
    at_low, at_high = _LEFT + _LOW_AT * width, _LEFT + _HIGH_AT * width
    if low is not None and high is not None and high - low > _TINY:
        return _Axis(low, at_low, high - low, at_high - at_low)
    positive = high is not None and high > _TINY and (value is None or value >= 0)
    if low is None and high is not None and positive and reading.verdict != "marginal":
        return _Axis(0.0, _LEFT, high, at_high - _LEFT)  # what has only a highest value begins at zero
    # One open end, or one point: the distance of value and limit gives the scale.
    limit = high if high is not None else low if low is not None else 0.0
    reach = max(abs((limit if value is None else value) - limit), 2 * uncertainty, abs(limit) * 0.05)
    if low is not None and high is not None:
        return _Axis(limit, (_LEFT + _RIGHT) / 2, reach, 0.4 * width)
    return _Axis(limit, at_high if high is not None else at_low, reach, 0.5 * width)


def _mark(x: float, verdict: str, *, clipped: bool) -> Markup:
    if clipped:
        way = -5.0 if x <= (_LEFT + _RIGHT) / 2 else 5.0
        tip = [(x - way, _MIDDLE - 6), (x + way, _MIDDLE), (x - way, _MIDDLE + 6)]
        return svg.path(tip, "mark cross")
    if verdict == "conforms":
        return svg.element("circle", cx=x, cy=_MIDDLE, r=4.5, class_="mark disc")
    if verdict == "marginal":
        corners = [(x, _MIDDLE - 6), (x + 6, _MIDDLE), (x, _MIDDLE + 6), (x - 6, _MIDDLE), (x, _MIDDLE - 6)]
        return svg.path(corners, "mark diamond")
    cross = f"M{svg.place(x - 5)} {svg.place(_MIDDLE - 5)}l10 10m0 -10l-10 10"
    return svg.element("path", d=cross, class_="mark cross")


def _zone(low: float | None, high: float | None, axis: _Axis, guard: float) -> list[Markup]:
    left = _LEFT if low is None else axis(low)
    right = _RIGHT if high is None else axis(high)
    height = _BOTTOM - _TOP
    parts = [svg.box(left, _TOP, right - left, height, "zone")]
    if guard > 0:
        if low is not None:
            inner = min(axis(low + guard), right)
            parts.append(svg.hatch(left, _TOP, inner - left, height, "guard"))
        if high is not None:
            inner = max(axis(high - guard), left)
            parts.append(svg.hatch(inner, _TOP, right - inner, height, "guard"))
    parts += [svg.line(axis(end), _TOP - 4, axis(end), _BOTTOM + 4, "limit") for end in _ends(low, high)]
    return parts


def _ends(low: float | None, high: float | None) -> list[float]:
    return [end for end in dict.fromkeys((low, high)) if end is not None]


def _numbers(
    low: float | None, high: float | None, axis: _Axis, show: Callable[[float], str]
) -> list[Markup]:
    return [
        svg.label(show(end), axis(end), _NUMBERS_AT, "number", anchor="middle") for end in _ends(low, high)
    ]


def draw(reading: Reading, rule: str) -> Markup:
    """Return the drawing of one reading under the decision rule; empty when it has no limits."""
    low, high, value = finite(reading.low), finite(reading.high), finite(reading.value)
    if low is None and high is None:
        return Markup()
    uncertainty = max(finite(reading.uncertainty) or 0.0, 0.0)
    guard = uncertainty if (reading.rule or rule) == "guarded" else 0.0
    axis = _axis(reading, uncertainty)
    parts = [svg.line(_LEFT, _MIDDLE, _RIGHT, _MIDDLE, "axis"), *_zone(low, high, axis, guard)]
    if value is not None:
        if uncertainty > 0:
            left, right = axis(value - uncertainty), axis(value + uncertainty)
            parts += [
                svg.line(left, _MIDDLE, right, _MIDDLE, "spread"),
                svg.line(left, _MIDDLE - 4, left, _MIDDLE + 4, "spread"),
                svg.line(right, _MIDDLE - 4, right, _MIDDLE + 4, "spread"),
            ]
        parts.append(_mark(axis(value), reading.verdict, clipped=axis.clipped(value)))
    parts += _numbers(low, high, axis, scale(reading).number)
    verdict = READING_WORDS.get(reading.verdict, reading.verdict)
    told = f"{show_value(reading)}, limits {show_limits(reading)}: {verdict}"
    return svg.drawing((WIDTH, HEIGHT), reading.name, told, parts, "limits")
