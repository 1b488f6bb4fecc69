"""A table of a check drawn as a curve: the first column across, every other number column upwards.

Columns whose name begins with `low`, `high` or `limit` are drawn as limits. Curves differ by dash and by
mark, never by colour alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from hilseq.reports import svg
from hilseq.reports.formatting import finite
from hilseq.reports.svg_plot import steps

WIDTH, HEIGHT = 360.0, 216.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 58.0, 348.0, 12.0, 162.0
#: Fewer points are better read as a table; more curves are no longer told apart.
_FEWEST, _MOST = 3, 4
#: More marks on a curve hide it; of a finer one only some points are marked.
_MOST_MARKS = 40
_LIMITS = ("low", "high", "limit")

Points = list[tuple[float, float]]


def _columns(table: Mapping[str, Any]) -> tuple[str, dict[str, Points]] | None:
    """Return the name across and the curves; None when the table is no curve."""
    names, rows = [str(name) for name in table["columns"]], table["rows"]
    if len(rows) < _FEWEST or len(names) < 2 or any(len(row) != len(names) for row in rows):  # noqa: PLR2004
        return None
    across = [finite(row[0]) for row in rows]
    if any(x is None for x in across) or len(set(across)) < _FEWEST:
        return None
    curves = {}
    for number, name in enumerate(names[1:], 1):
        points = [
            (x, y)
            for x, row in zip(across, rows, strict=True)
            if x is not None and (y := finite(row[number])) is not None
        ]
        if len(points) >= _FEWEST:
            curves[name] = points
    measured = [name for name in curves if not _is_limit(name)]
    return (names[0], curves) if 0 < len(measured) <= _MOST else None


def _is_limit(name: str) -> bool:
    return name.casefold().startswith(_LIMITS)


class _Axes:
    """Scales from numbers to places, with a little air around the curves."""

    def __init__(self, curves: Sequence[Points]) -> None:
        xs, ys = [x for points in curves for x, _ in points], [y for points in curves for _, y in points]
        self.x_low, self.x_high = min(xs), max(xs)
        air = 0.08 * (max(ys) - min(ys)) or abs(max(ys)) * 0.1 or 1.0
        self.y_low, self.y_high = min(ys) - air, max(ys) + air

    def x(self, value: float) -> float:
        return _LEFT + (_RIGHT - _LEFT) * (value - self.x_low) / ((self.x_high - self.x_low) or 1.0)

    def y(self, value: float) -> float:
        return _BOTTOM - (_BOTTOM - _TOP) * (value - self.y_low) / (self.y_high - self.y_low)

    def grid(self) -> list[Markup]:
        parts = [svg.box(_LEFT, _TOP, _RIGHT - _LEFT, _BOTTOM - _TOP, "frame")]
        for value in steps(self.y_low, self.y_high, 5):
            parts.append(svg.line(_LEFT, self.y(value), _RIGHT, self.y(value), "grid"))
            parts.append(svg.label(f"{value:.4g}", _LEFT - 5, self.y(value) + 4, "number", anchor="end"))
        for value in steps(self.x_low, self.x_high, 6):
            parts.append(svg.line(self.x(value), _BOTTOM, self.x(value), _BOTTOM + 4, "tick"))
            parts.append(svg.label(f"{value:.4g}", self.x(value), _BOTTOM + 17, "number", anchor="middle"))
        return parts


def _point(number: int, x: float, y: float) -> Markup:
    if number == 0:
        return svg.element("circle", cx=x, cy=y, r=2.6, class_="point")
    if number == 1:
        return svg.box(x - 2.4, y - 2.4, 4.8, 4.8, "point")
    return svg.path([(x - 3, y + 2.6), (x, y - 3), (x + 3, y + 2.6), (x - 3, y + 2.6)], "point")


def draw(table: Mapping[str, Any]) -> Markup:
    """Return the drawing of a `table` entry; empty when it is no curve."""
    found = _columns(table)
    if found is None:
        return Markup()
    across, curves = found
    axes = _Axes(list(curves.values()))
    parts, legend_at = axes.grid(), _LEFT
    measured = [name for name in curves if not _is_limit(name)]
    for name, points in curves.items():
        way = [(axes.x(x), axes.y(y)) for x, y in sorted(points)]
        if name not in measured:
            parts.append(svg.path(way, "limit"))
            continue
        number = measured.index(name)
        parts.append(svg.path(way, f"curve curve-{number}"))
        every = -(-len(way) // _MOST_MARKS)
        parts += [_point(number, x, y) for x, y in way[::every]]
        parts += [
            _point(number, legend_at + 4, HEIGHT - 10),
            svg.label(name, legend_at + 12, HEIGHT - 6, "number"),
        ]
        legend_at += 24 + 6.2 * min(len(name), 40)
    parts.append(svg.label(across, (_LEFT + _RIGHT) / 2, _BOTTOM + 32, "number", anchor="middle"))
    told = "; ".join(
        f"{name} from {min(y for _, y in curves[name]):.4g} to {max(y for _, y in curves[name]):.4g}"
        for name in measured
    )
    return svg.drawing((WIDTH, HEIGHT), f"{table['name']} over {across}", told, parts, "curve")
