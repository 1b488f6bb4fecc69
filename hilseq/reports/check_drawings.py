"""Drawings of a unit's checks: a reading between its limits, a table as a curve, the terminals in rows.

A reading: the allowed zone has a solid frame, guard bands are hatched. A curve: the first column across, every
other number column upwards, columns whose name begins with `low`, `high` or `limit` as limits; curves differ by
dash and by mark, never by colour alone, and those of different units have axes of their own. Terminals: what was
found at each, and lines between places that failed together.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from markupsafe import Markup

from hilseq.journal.entries import Reading, TableKept
from hilseq.journal.run_state import CheckState
from hilseq.quantities import SYMBOLS
from hilseq.reports import svg
from hilseq.reports.formatting import (
    READING_WORDS,
    SIGNS,
    finite,
    join_truncated,
    scale,
    show_limits,
    show_value,
    worst,
)
from hilseq.verdicts import CheckVerdict

# -- a reading between its limits ----------------------------------------------------------------------

LIMITS_WIDTH, LIMITS_HEIGHT = 260.0, 46.0
_BAR = svg.PlotFrame(12.0, 6.0, 248.0, 24.0)
_EDGES = (_BAR.left, _BAR.right)
_MIDDLE = (_BAR.top + _BAR.bottom) / 2
#: Where the limits stand: room outside for what fails.
_LOW_AT, _HIGH_AT = _BAR.left + 0.2 * _BAR.width, _BAR.left + 0.8 * _BAR.width
_NUMBERS_AT = 40.0
_TINY = 1e-300


def _axis(reading: Reading, uncertainty: float) -> svg.Axis:
    low, high, value = finite(reading.low), finite(reading.high), finite(reading.value)
    if low is not None and high is not None and high - low > _TINY:
        return svg.Axis(low, high, _LOW_AT, _HIGH_AT, _EDGES)
    positive = high is not None and high > _TINY and (value is None or value >= 0)
    if low is None and high is not None and positive and reading.verdict != "marginal":
        # What has only a highest value begins at zero.
        return svg.Axis(0.0, high, _BAR.left, _HIGH_AT, _EDGES)
    # One open end, or one point: the distance of value and limit gives the scale.
    limit = high if high is not None else low if low is not None else 0.0
    reach = max(abs((limit if value is None else value) - limit), 2 * uncertainty, abs(limit) * 0.05)
    if low is not None and high is not None:
        at, span = (_BAR.left + _BAR.right) / 2, 0.4 * _BAR.width
    else:
        at, span = _HIGH_AT if high is not None else _LOW_AT, 0.5 * _BAR.width
    return svg.Axis(limit, limit + reach, at, at + span, _EDGES)


def _arrow(x: float) -> Markup:
    """Return the mark of a reading beyond the drawing."""
    way = -5.0 if x <= (_BAR.left + _BAR.right) / 2 else 5.0
    return svg.path([(x - way, _MIDDLE - 6), (x + way, _MIDDLE), (x - way, _MIDDLE + 6)], "mark cross")


def _zone(low: float | None, high: float | None, axis: svg.Axis, guard: float) -> list[Markup]:
    left = _BAR.left if low is None else axis(low)
    right = _BAR.right if high is None else axis(high)
    parts = [svg.box(left, _BAR.top, right - left, _BAR.height, "zone")]
    if guard > 0:
        if low is not None:
            inner = min(axis(low + guard), right)
            parts.append(svg.hatch(left, _BAR.top, inner - left, _BAR.height, "guard"))
        if high is not None:
            inner = max(axis(high - guard), left)
            parts.append(svg.hatch(inner, _BAR.top, right - inner, _BAR.height, "guard"))
    ends = [axis(end) for end in _ends(low, high)]
    return parts + [svg.line(end, _BAR.top - 4, end, _BAR.bottom + 4, "limit") for end in ends]


def _ends(low: float | None, high: float | None) -> list[float]:
    return [end for end in dict.fromkeys((low, high)) if end is not None]


def _numbers(
    low: float | None, high: float | None, axis: svg.Axis, show: Callable[[float], str]
) -> list[Markup]:
    return [
        svg.label(show(end), axis(end), _NUMBERS_AT, "number", anchor="middle") for end in _ends(low, high)
    ]


def draw_limits(reading: Reading) -> Markup:
    """Return the drawing of one reading under its decision rule; empty when it has no limits."""
    low, high, value = finite(reading.low), finite(reading.high), finite(reading.value)
    if low is None and high is None:
        return Markup()
    uncertainty = max(finite(reading.uncertainty) or 0.0, 0.0)
    guard = finite(reading.guard_band) or 0.0
    axis = _axis(reading, uncertainty)
    parts = [svg.line(_BAR.left, _MIDDLE, _BAR.right, _MIDDLE, "axis"), *_zone(low, high, axis, guard)]
    if value is not None:
        if uncertainty > 0:
            left, right = axis(value - uncertainty), axis(value + uncertainty)
            parts += [
                svg.line(left, _MIDDLE, right, _MIDDLE, "spread"),
                svg.line(left, _MIDDLE - 4, left, _MIDDLE + 4, "spread"),
                svg.line(right, _MIDDLE - 4, right, _MIDDLE + 4, "spread"),
            ]
        beyond = axis.clipped(value)
        parts.append(_arrow(axis(value)) if beyond else svg.mark(axis(value), _MIDDLE, reading.verdict, 4.5))
    parts += _numbers(low, high, axis, scale(reading).number)
    verdict = READING_WORDS.get(reading.verdict, reading.verdict)
    reported = f"{show_value(reading)}, limits {show_limits(reading)}: {verdict}"
    return svg.drawing((LIMITS_WIDTH, LIMITS_HEIGHT), reading.name, reported, parts, "limits")


# -- a table as a curve --------------------------------------------------------------------------------

_CURVE_WIDTH, _CURVE_HEIGHT = 360.0, 216.0
_CURVE = svg.PlotFrame(58.0, 12.0, 348.0, 162.0)
#: Fewer points are better read as a table; more curves are no longer distinguished.
_FEWEST, _MOST = 3, 4
#: More marks on a curve hide it; of a finer one only some points are marked.
_MOST_MARKS = 40
_LIMITS = ("low", "high", "limit")
#: Room between two panels.
_BETWEEN = 14.0

Points = list[tuple[float, float]]


def _columns(table: TableKept) -> tuple[str, dict[str, Points]] | None:
    """Return the name across and the curves; None when the table is no curve."""
    names, rows = list(table.columns), table.rows
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


def _point(number: int, x: float, y: float) -> Markup:
    """Return the mark of a point on curve `number`."""
    if number == 0:
        return svg.element("circle", cx=x, cy=y, r=2.6, class_="point")
    if number == 1:
        return svg.box(x - 2.4, y - 2.4, 4.8, 4.8, "point")
    return svg.path([(x - 3, y + 2.6), (x, y - 3), (x + 3, y + 2.6), (x - 3, y + 2.6)], "point")


_UNIT = re.compile(r"(?:^|[ (])([^ ()]+)\)?$")


def _unit_of(name: str) -> str:
    """Return the unit of a column by its name, `error (mV)` or `current A`; empty where it names none."""
    match = _UNIT.search(name)
    return match[1] if match and match[1] in SYMBOLS else ""


def _panels(curves: Mapping[str, Points]) -> list[dict[str, Points]]:
    """Return the curves that share an axis: those of one dimension; limits go with what they limit."""
    panels: dict[str, dict[str, Points]] = {}
    for name in (name for name in curves if not _is_limit(name)):
        panels.setdefault(_unit_of(name), {})[name] = curves[name]
    first = next(iter(panels))
    for name in (name for name in curves if _is_limit(name)):
        panels[unit if (unit := _unit_of(name)) in panels else first][name] = curves[name]
    return list(panels.values())


def draw_curve(table: TableKept) -> Markup:
    """Return the drawing of a table, one panel for each unit of measure; empty when it is no curve."""
    found = _columns(table)
    if found is None:
        return Markup()
    across, curves = found
    measured = [name for name in curves if not _is_limit(name)]
    panels = _panels(curves)
    xs = [x for curve in curves.values() for x, _ in curve]
    x_axis = svg.Axis(min(xs), max(xs), _CURVE.left, _CURVE.right)
    parts: list[Markup] = []
    for number, panel in enumerate(panels):
        below = number * (_CURVE.height + _BETWEEN)
        frame = svg.PlotFrame(_CURVE.left, _CURVE.top + below, _CURVE.right, _CURVE.bottom + below)
        parts += _panel(panel, frame, x_axis, measured)
    height = _CURVE_HEIGHT + (len(panels) - 1) * (_CURVE.height + _BETWEEN)
    bottom = svg.PlotFrame(_CURVE.left, 0.0, _CURVE.right, height - _CURVE_HEIGHT + _CURVE.bottom)
    parts += bottom.across((x, f"{step:.4g}") for step, x in x_axis.steps(6))
    parts.append(
        svg.label(across, (_CURVE.left + _CURVE.right) / 2, bottom.bottom + 32, "number", anchor="middle")
    )
    legend_at = _CURVE.left
    for number, name in enumerate(measured):
        parts += [
            _point(number, legend_at + 4, height - 10),
            svg.label(name, legend_at + 12, height - 6, "number"),
        ]
        legend_at += 24 + 6.2 * min(len(name), 40)
    reported = "; ".join(
        f"{name} from {min(y for _, y in curves[name]):.4g} to {max(y for _, y in curves[name]):.4g}"
        for name in measured
    )
    return svg.drawing((_CURVE_WIDTH, height), f"{table.name} over {across}", reported, parts, "curve")


def _panel(
    curves: Mapping[str, Points], frame: svg.PlotFrame, x_axis: svg.Axis, measured: Sequence[str]
) -> list[Markup]:
    y_axis = svg.Axis.around([y for curve in curves.values() for _, y in curve], frame.bottom, frame.top)
    parts = frame.upwards(y_axis, 5)
    for name, curve in curves.items():
        way = [(x_axis(x), y_axis(y)) for x, y in sorted(curve)]
        if name not in measured:
            parts.append(svg.path(way, "limit"))
            continue
        number = measured.index(name)
        parts.append(svg.path(way, f"curve curve-{number}"))
        every = -(-len(way) // _MOST_MARKS)
        parts += [_point(number, x, y) for x, y in way[::every]]
    return parts


# -- the terminals in rows -----------------------------------------------------------------------------

_NAMED = re.compile(r"([A-Za-z]+(?:[ -][A-Za-z]+)*)[ -]?(\d{1,4})")
_LONGEST_PLACE = 64
_PER_ROW, _CELL, _TALL, _LEFT = 8, 42.0, 44.0, 6.0
_TERMINAL = 30.0
_CLASSES = {
    CheckVerdict.PASSED: "good",
    CheckVerdict.FAILED: "bad",
    CheckVerdict.STAND_FAULT: "unsure",
    CheckVerdict.NOT_PERFORMED: "open",
}


@dataclass(slots=True)
class Terminals:
    """One group of terminals of the same kind, by number."""

    prefix: str
    verdicts: dict[str, CheckVerdict]
    together: list[tuple[str, ...]] = field(default_factory=list)


def _split(place: str) -> tuple[str, int] | None:
    match = _NAMED.fullmatch(place) if len(place) <= _LONGEST_PLACE else None
    return (match[1], int(match[2])) if match else None


def terminals(checks: Sequence[CheckState]) -> list[Terminals]:
    """Group the numbered places of the checks; a place that failed anywhere is bad."""
    seen: dict[str, list[CheckVerdict]] = {}
    together: list[tuple[str, ...]] = []
    for check in checks:
        blamed = check.verdict in (CheckVerdict.FAILED, CheckVerdict.STAND_FAULT)
        at_fault = check.places if blamed and check.places else (check.place,)
        for place in at_fault:
            if check.verdict is not CheckVerdict.STAND_FAULT or _split(place):
                seen.setdefault(place, []).append(check.verdict)
        if check.verdict is CheckVerdict.FAILED and len(check.places) > 1:
            together.append(check.places)
    groups: dict[str, dict[str, CheckVerdict]] = {}
    numbered = [(split, place) for place in seen if (split := _split(place))]
    for (prefix, _), place in sorted(numbered):
        groups.setdefault(prefix, {})[place] = worst(seen[place])
    return [
        Terminals(prefix, verdicts, [places for places in together if set(places) <= set(verdicts)])
        for prefix, verdicts in groups.items()
        if len(verdicts) > 1
    ]


def _cell(number: int) -> tuple[float, float]:
    return _LEFT + number % _PER_ROW * _CELL, 4.0 + number // _PER_ROW * _TALL


def _terminal(number: int, name: str, verdict: CheckVerdict) -> list[Markup]:
    x, y = _cell(number)
    middle = x + _CELL / 2
    return [
        svg.box(middle - _TERMINAL / 2, y, _TERMINAL, 24, f"terminal {_CLASSES[verdict]}"),
        svg.label(SIGNS[verdict], middle, y + 17, f"sign {_CLASSES[verdict]}", anchor="middle"),
        svg.label(name, middle, y + 37, "number", anchor="middle"),
    ]


def _joined(places: Sequence[str], order: Sequence[str]) -> list[Markup]:
    spots = [_cell(order.index(place)) for place in places]
    centres = [(x + _CELL / 2, y) for x, y in spots]
    return [
        svg.path([(x1, y1), (x1, y1 - 3), (x2, y2 - 3), (x2, y2)], "joined")
        for (x1, y1), (x2, y2) in pairwise(centres)
    ]


def draw_terminals(group: Terminals) -> Markup:
    """Return the drawing of one group of terminals."""
    names = list(group.verdicts)
    rows = -(-len(names) // _PER_ROW)
    parts = [
        part for number, name in enumerate(names) for part in _terminal(number, name, group.verdicts[name])
    ]
    parts += [part for places in group.together for part in _joined(places, names)]
    failed = [name for name, verdict in group.verdicts.items() if verdict is CheckVerdict.FAILED]
    reported = f"{len(names)} places. " + (
        f"Failed: {join_truncated(failed, 12)}." if failed else "None failed."
    )
    width = 2 * _LEFT + min(len(names), _PER_ROW) * _CELL
    return svg.drawing((width, rows * _TALL + 6), f"Terminals {group.prefix}", reported, parts, "points")
