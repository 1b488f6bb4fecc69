"""The operating curves as one picture: a small plot for each reading, on a page of its own."""

from __future__ import annotations

import math
from collections.abc import Sequence

from markupsafe import Markup

from hilseq.coverage.curves import LEAST, MOST, OperatingCurve
from hilseq.reports import svg

_COLUMNS = 3
_WIDTH, _HEIGHT, _HEAD = 300.0, 190.0, 34.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 52.0, 12.0, 38.0, 34.0
_STYLE = (
    "svg{background:#fff;font:11px sans-serif;fill:#1a1a1a}.frame{fill:none;stroke:#444}.grid,.tick{stroke:#ddd}"
    ".number,.level{fill:#555;font-size:10px}.name{font-weight:bold}.limit{stroke:#1a1a1a;stroke-width:1.5}"
    ".band{stroke:#aaa;fill:none}.bound{stroke:#555}.way{fill:none;stroke:#888}.mark{fill:#1a1a1a;stroke:#1a1a1a}"
    ".cross{fill:none;stroke-width:1.5}"
)


def draw_curves(curves: Sequence[OperatingCurve], title: str) -> Markup:
    """Draw all curves: acceptance against the true value as a share of the limit, with exact bounds.

    The hatched strip is the guard band. A point is a disc where the promise holds or says nothing, else a cross.
    """
    rows = max(1, math.ceil(len(curves) / _COLUMNS))
    parts = [svg.element("style", _STYLE), svg.label(title, 8, 20, "name")]
    for number, curve in enumerate(curves):
        left, top = number % _COLUMNS * _WIDTH, _HEAD + number // _COLUMNS * _HEIGHT
        parts += _plot(curve, left, top)
    reported = "; ".join(
        f"{curve.judged.reading}: {', '.join(curve.broken) or 'as promised'}" for curve in curves
    )
    return svg.drawing(
        (_COLUMNS * _WIDTH, _HEAD + rows * _HEIGHT), title, reported, parts, "plot", xmlns=svg.SVG
    )


def _plot(curve: OperatingCurve, left: float, top: float) -> list[Markup]:
    frame = svg.PlotFrame(left + _LEFT, top + _TOP, left + _WIDTH - _RIGHT, top + _HEIGHT - _BOTTOM)
    shares = sorted(curve.accepted)
    x = svg.Axis(min([0.7, *shares]), max([1.3, *shares]), frame.left + 4, frame.right - 4)
    y = svg.Axis(-0.02, 1.02, frame.bottom, frame.top)
    parts: list[Markup] = []
    if curve.band is not None:
        ends = (1.0, 1.0 + curve.band) if curve.judged.low else (1.0 - curve.band, 1.0)
        parts.append(svg.hatch(x(ends[0]), frame.top, x(ends[1]) - x(ends[0]), frame.height, "band"))
    parts += frame.upwards(y, 4)
    parts += frame.across((x(share), f"{share:g}") for share in (0.7, 0.8, 0.9, 1.0, 1.1, 1.2, 1.3))
    parts.append(svg.line(x(1.0), frame.top, x(1.0), frame.bottom, "limit"))
    which = "lower" if curve.judged.low else "upper"
    parts.append(svg.label(f"{curve.judged.reading} ({which} limit)", left + 8, top + 14, "name"))
    parts.append(svg.label(f"at the limit {curve.at_limit}", left + 8, top + 28, "number"))
    points = [(share, rate) for share in shares if (rate := curve.accepted[share]).value is not None]
    parts.append(svg.path(((x(share), y(rate.value or 0.0)) for share, rate in points), "way"))
    for share, rate in points:
        low, high = rate.bounds or (0.0, 1.0)
        parts.append(svg.line(x(share), y(low), x(share), y(high), "bound"))
        verdict = "fails" if _broken(curve, share) else "conforms"
        parts.append(svg.mark(x(share), y(rate.value or 0.0), verdict, 2.6))
    return parts


def _broken(curve: OperatingCurve, share: float) -> bool:
    accepted = curve.accepted[share].value or 0.0
    outside = share <= 1.0 if curve.judged.low else share >= 1.0
    if outside:
        return accepted > MOST
    deep = curve.band is not None and abs(1.0 - share) >= 1.96 * curve.band
    return deep and accepted < LEAST
