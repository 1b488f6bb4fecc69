"""Small pieces every drawing is made of. All text goes through `label`, all numbers through `place`."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from markupsafe import Markup, escape

from hilseq.reports.sanitize import sanitize

#: Distance of hatching lines: near enough to read as grey, far enough not to run together when printed.
_STEP = 5.0


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


def drawing(size: tuple[float, float], title: str, told: str, parts: Sequence[Markup], class_: str) -> Markup:
    """Return a whole drawing (`size` is width and height) with its name and its description in words."""
    width, height = size
    inside = Markup("").join((element("title", sanitize(title)), element("desc", sanitize(told)), *parts))
    return element(
        "svg",
        inside,
        class_=class_,
        viewBox=f"0 0 {place(width)} {place(height)}",
        width=width,
        height=height,
        role="img",
        aria_label=sanitize(f"{title}. {told}", 1000),
    )
