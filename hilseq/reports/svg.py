"""What every drawing is made of: elements, one axis, one frame with its grid, one mark per verdict.

All text goes through `label`, all numbers through `place`. Shapes carry the meaning, so that a drawing says the
same in black and white: a disc conforms, a diamond is marginal, a cross fails.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Self

from markupsafe import Markup, escape

from hilseq.reports.sanitize import sanitize

#: Distance of hatching lines: near enough to read as grey, far enough not to run together when printed.
_STEP = 5.0
#: From a tick to the middle of its number, and from the line of a text to its middle.
_TICK, _BELOW, _RISE = 4.0, 17.0, 4.0
#: The name space of a drawing that is a file of its own.
SVG = "http://www.w3.org/2000/svg"
#: Smaller distances have no reciprocal.
_TINY = 1e-300


def place(number: float) -> str:
    """Return a coordinate: short, and never in a form that SVG does not read."""
    if not math.isfinite(number):
        raise ValueError(f"{number!r} is no place on paper")
    return f"{round(number, 2) + 0.0:g}"


def element(name: str, content: str = "", /, **attributes: float | str) -> Markup:
    """Return one SVG element; `class_` and `stroke_width` become `class` and `stroke-width`.

    `content` is escaped unless it is Markup already.
    """
    words = "".join(
        f' {key.rstrip("_").replace("_", "-")}="'
        f'{place(value) if isinstance(value, int | float) else escape(value)}"'
        for key, value in attributes.items()
    )
    return Markup(f"<{name}{words}>{escape(content)}</{name}>")  # noqa: S704 (every part is escaped)


def label(text: object, x: float, y: float, class_: str, *, anchor: str = "start") -> Markup:
    """Return a text element; hostile characters are made visible."""
    return element("text", sanitize(text, 120), x=x, y=y, class_=class_, text_anchor=anchor)


def line(x1: float, y1: float, x2: float, y2: float, class_: str) -> Markup:
    """Return a straight line."""
    return element("line", x1=x1, y1=y1, x2=x2, y2=y2, class_=class_)


def box(x: float, y: float, width: float, height: float, class_: str) -> Markup:
    """Return a rectangle."""
    return element("rect", x=x, y=y, width=max(width, 0.0), height=max(height, 0.0), class_=class_)


def path(points: Iterable[tuple[float, float]], class_: str) -> Markup:
    """Return an open line through the points."""
    way = "L".join(f"{place(x)} {place(y)}" for x, y in points)
    return element("path", d=f"M{way}", class_=class_) if way else Markup()


def hatch(x: float, y: float, width: float, height: float, class_: str) -> Markup:
    """Return slanted lines that fill a rectangle: a grey that survives any printer."""
    if width <= 0 or height <= 0:
        return Markup()
    ways = []
    for number in range(int((width + height) / _STEP) + 1):
        start = number * _STEP
        left, top = max(0.0, start - height), min(start, height)
        right, bottom = min(start, width), max(0.0, start - width)
        ways.append(f"M{place(x + left)} {place(y + top)}L{place(x + right)} {place(y + bottom)}")
    return element("path", d="".join(ways), class_=class_)


def mark(x: float, y: float, verdict: str, radius: float) -> Markup:
    """Return the mark of a reading by its verdict: `conforms` a disc, `marginal` a diamond, else a cross."""
    if verdict == "conforms":
        return element("circle", cx=x, cy=y, r=radius, class_="mark disc")
    if verdict == "marginal":
        reach = 1.35 * radius
        corners = [(x, y - reach), (x + reach, y), (x, y + reach), (x - reach, y), (x, y - reach)]
        return path(corners, "mark diamond")
    reach = 1.1 * radius
    cross = f"M{place(x - reach)} {place(y - reach)}L{place(x + reach)} {place(y + reach)}"
    cross += f"M{place(x + reach)} {place(y - reach)}L{place(x - reach)} {place(y + reach)}"
    return element("path", d=cross, class_="mark cross")


def drawing(
    size: tuple[float, float], title: str, reported: str, parts: Sequence[Markup], class_: str, **more: str
) -> Markup:
    """Return a whole drawing (`size` is width and height) with its name and its description in words.

    A drawing in a file of its own needs `xmlns=SVG`.
    """
    width, height = size
    inside = Markup("").join((element("title", sanitize(title)), element("desc", sanitize(reported)), *parts))
    return element(
        "svg",
        inside,
        class_=class_,
        viewBox=f"0 0 {place(width)} {place(height)}",
        width=width,
        height=height,
        role="img",
        aria_label=sanitize(f"{title}. {reported}", 1000),
        **more,
    )


# -- axes ----------------------------------------------------------------------------------------------


def steps(low: float, high: float, most: int) -> list[float]:
    """Return round numbers from low to high, `most` at the most."""
    span = high - low
    if not span > 0 or not math.isfinite(span):
        return [low]
    raw = span / most
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(power * factor for factor in (1, 2, 5, 10) if power * factor >= raw * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    return [number * step for number in range(first, math.floor(high / step + 1e-9) + 1)]


@dataclass(frozen=True, slots=True)
class Axis:
    """A linear scale: `low` is drawn at `begin`, `high` at `end`; a place beyond `edges` is moved to them.

    `edges` are the two ends where none are given. Without a distance from low to high all is drawn at `begin`.
    """

    low: float
    high: float
    begin: float
    end: float
    edges: tuple[float, float] | None = None

    @classmethod
    def around(cls, values: Iterable[float | None], begin: float, end: float, *, air: float = 0.08) -> Self:
        """Return an axis that holds all values, with `air` (a share of their span) beyond them."""
        known = [value for value in values if value is not None] or [0.0]
        low, high = min(known), max(known)
        room = air * (high - low) or abs(high) * 0.05 or 1.0
        return cls(low - room, high + room, begin, end)

    def __call__(self, value: float) -> float:
        """Return the place of a value, moved to the edge where it lies beyond."""
        left, right = sorted(self.edges or (self.begin, self.end))
        return min(max(self._unclipped(value), left), right)

    def clipped(self, value: float) -> bool:
        """Return whether a value lies beyond the edges."""
        left, right = sorted(self.edges or (self.begin, self.end))
        return not left - 0.01 <= self._unclipped(value) <= right + 0.01

    def steps(self, most: int, factor: float = 1.0) -> list[tuple[float, float]]:
        """Return (number, place) of the round numbers on it, in a unit of which `factor` make one of its own."""
        return [(step, self(step / factor)) for step in steps(self.low * factor, self.high * factor, most)]

    def _unclipped(self, value: float) -> float:
        distance = self.high - self.low
        share = (value - self.low) / (distance if distance > _TINY else 1.0)
        return self.begin + (self.end - self.begin) * (0.0 if math.isnan(share) else share)


@dataclass(frozen=True, slots=True)
class PlotFrame:
    """The rectangle of a plot."""

    left: float
    top: float
    right: float
    bottom: float

    @property
    def width(self) -> float:
        """From left to right."""
        return self.right - self.left

    @property
    def height(self) -> float:
        """From top to bottom."""
        return self.bottom - self.top

    def upwards(self, axis: Axis, most: int, factor: float = 1.0) -> list[Markup]:
        """Return the frame, and the grid lines and numbers of the axis at its left."""
        parts = [box(self.left, self.top, self.width, self.height, "frame")]
        for number, y in axis.steps(most, factor):
            parts.append(line(self.left, y, self.right, y, "grid"))
            parts.append(label(f"{number:.6g}", self.left - 6, y + _RISE, "number", anchor="end"))
        return parts

    def across(self, marks: Iterable[tuple[float, str]]) -> list[Markup]:
        """Return ticks below the frame at these places, each with its words."""
        parts = []
        for x, words in marks:
            parts.append(line(x, self.bottom, x, self.bottom + _TICK, "tick"))
            parts.append(label(words, x, self.bottom + _BELOW, "number", anchor="middle"))
        return parts

    def level(self, axis: Axis, value: float | None, class_: str, words: str) -> list[Markup]:
        """Return a line across the frame at a value, with its words; nothing where the axis does not reach it."""
        if value is None or not axis.low < value < axis.high:
            return []
        y = axis(value)
        return [
            line(self.left, y, self.right, y, class_),
            label(words, self.left + 6, y + _RISE, "level"),
        ]
