"""Soak plots: one quantity over time as a band of least to greatest with its mean, and the strip of modes.

Gaps are hatched and never drawn across; events are lettered lines, explained in the table below the plots.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from string import ascii_uppercase

import numpy as np
from markupsafe import Markup

from hilseq.quantities import show_duration
from hilseq.reports import svg
from hilseq.reports.buckets import Buckets, Numbers, gather, runs
from hilseq.reports.formatting import Scale, scale_of
from hilseq.reports.soak_view import Series, SoakEvent, Span

#: The drawing is made for a sheet of paper; on a phone it scrolls inside its own frame.
WIDTH, HEIGHT = 760.0, 216.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 64.0, 748.0, 34.0, 190.0
BUCKETS = 720
#: What the script can zoom into: a minute each for a soak of three days.
DETAIL = 4320
#: More letters than this would hide the curve; all events stay in the table.
_MOST_LETTERS = 26
_LETTER_WIDTH = 7.5
_DAY, _HOUR, _MINUTE = 86400.0, 3600.0, 60.0
_TIME_STEPS = (
    1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 172800, 604800,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Frame:
    """What all plots of one soak share: the stretch of time, gaps and events."""

    end: float
    gaps: Sequence[Span] = ()
    events: Sequence[SoakEvent] = ()

    def x(self, time: float) -> float:
        """Return the place of a time, clipped to the plot."""
        share = min(max(time / self.end, 0.0), 1.0) if self.end > 0 else 0.0
        return _LEFT + (_RIGHT - _LEFT) * share


def letter(number: int) -> str:
    """Return the letter of an event; from the twenty-seventh on, its number."""
    return ascii_uppercase[number] if number < _MOST_LETTERS else str(number + 1)


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


def time_steps(end: float, most: int = 8) -> list[tuple[float, str]]:
    """Return (seconds, label) of the marks of a time axis."""
    step = next((step for step in _TIME_STEPS if end / step <= most), _TIME_STEPS[-1])
    while end / step > most:
        step *= 2
    names = ((_DAY, "d"), (_HOUR, "h"), (_MINUTE, "min"), (1.0, "s"))
    size, name = next((size, name) for size, name in names if step % size == 0)
    return [(n * step, f"{n * step / size:g} {name}") for n in range(int(end / step + 1e-9) + 1)]


@dataclass(frozen=True, slots=True)
class _Y:
    low: float
    high: float

    def __call__(self, value: float) -> float:
        share = min(max((value - self.low) / (self.high - self.low), 0.0), 1.0)
        return _BOTTOM - (_BOTTOM - _TOP) * share


def _range(series: Series, buckets: Buckets) -> _Y:
    """Return the values shown: all samples, and limits that are near enough to matter."""
    known = [float(v) for v in (np.nanmin(buckets.low), np.nanmax(buckets.high))]
    if series.fit:
        known += [value for value in series.fit.values if math.isfinite(value)]
    low, high = min(known), max(known)
    reach = max(high - low, abs(high) * 0.02, 1e-9)
    near = [end for end in (series.low, series.high) if end is not None and low - reach < end < high + reach]
    low, high = min([low, *near]), max([high, *near])
    margin = 0.06 * (high - low) or abs(high) * 0.05 or 1.0
    return _Y(low - margin, high + margin)


def _window(top: float, bottom: float, parts: Iterable[Markup]) -> Markup:
    """Return the part of a plot that the script can zoom: its own drawing, stretched over the plot."""
    size = (_LEFT, top, _RIGHT - _LEFT, bottom - top)
    view = " ".join(svg.place(number) for number in size)
    x, y, width, height = size
    return svg.element(
        "svg",
        Markup().join(parts),
        class_="window",
        x=x,
        y=y,
        width=width,
        height=height,
        viewBox=view,
        preserveAspectRatio="none",
    )


def _grid(frame: Frame, y: _Y, shown: Scale) -> list[Markup]:
    parts = [svg.box(_LEFT, _TOP, _RIGHT - _LEFT, _BOTTOM - _TOP, "frame")]
    for value in steps(y.low * shown.factor, y.high * shown.factor, 5):
        at = y(value / shown.factor)
        parts.append(svg.line(_LEFT, at, _RIGHT, at, "grid"))
        parts.append(svg.label(f"{value:.6g}", _LEFT - 6, at + 4, "number", anchor="end"))
    return parts + time_axis(frame, _BOTTOM)


def time_axis(frame: Frame, bottom: float) -> list[Markup]:
    """Return the marks and labels of the time axis below `bottom`, as one group that a zoom redraws."""
    parts = []
    for time, words in time_steps(frame.end):
        parts.append(svg.line(frame.x(time), bottom, frame.x(time), bottom + 4, "tick"))
        parts.append(svg.label(words, frame.x(time), bottom + 18, "number", anchor="middle"))
    return [svg.element("g", Markup().join(parts), class_="times", data_bottom=bottom)]


def _marks(frame: Frame, top: float, bottom: float) -> list[Markup]:
    parts = []
    for gap in frame.gaps:
        left, right = frame.x(gap.start), frame.x(gap.end)
        parts.append(svg.box(left, top, max(right - left, 1.0), bottom - top, "gap"))
        parts.append(svg.hatch(left, top, right - left, bottom - top, "gap-lines"))
    places = [frame.x(event.at) for event in frame.events[:_MOST_LETTERS]]
    return parts + [svg.line(x, top, x, bottom, "event") for x in places]


def _letters(frame: Frame, top: float) -> list[Markup]:
    """Return the letters of the events; where they would overlap, later ones move a little, then give up."""
    parts, last = [], -math.inf
    for number, event in enumerate(frame.events[:_MOST_LETTERS]):
        true = frame.x(event.at)
        x = max(true, last + _LETTER_WIDTH + 1)
        if x - true < 3 * _LETTER_WIDTH:
            name = letter(number)
            parts.append(
                svg.element("text", name, x=x, y=top - 5, class_="letter", text_anchor="middle", data_x=true)
            )
            last = x
    return parts


def _curve(buckets: Buckets, frame: Frame, y: _Y) -> list[Markup]:
    parts = []
    middles = buckets.start + buckets.width * (np.arange(buckets.mean.size) + 0.5)
    xs = [frame.x(time) for time in middles.tolist()]
    for first, end in runs(np.isfinite(buckets.mean)):
        upper = [(xs[n], y(v)) for n, v in enumerate(buckets.high[first:end].tolist(), first)]
        lower = [(xs[n], y(v)) for n, v in enumerate(buckets.low[first:end].tolist(), first)]
        mean = [(xs[n], y(v)) for n, v in enumerate(buckets.mean[first:end].tolist(), first)]
        if end - first == 1:  # a lone bucket still shows
            mean = [(xs[first] - 0.5, mean[0][1]), (xs[first] + 0.5, mean[0][1])]
        parts += [svg.path(upper + lower[::-1], "band"), svg.path(mean, "mean")]
    return parts


def _limits(series: Series, y: _Y) -> list[Markup]:
    parts = []
    for end, word in ((series.low, "lowest"), (series.high, "highest")):
        if end is not None and y.low < end < y.high:
            parts.append(svg.line(_LEFT, y(end), _RIGHT, y(end), "limit"))
            parts.append(svg.label(word, _RIGHT - 4, y(end) - 4, "number halo", anchor="end"))
    return parts


def in_words(series: Series, buckets: Buckets) -> str:
    """Return what a plot shows to those who do not see it: least, mean, greatest, limits."""
    if not np.isfinite(buckets.mean).any():
        return "no samples"
    shown = scale_of(series.unit, [float(np.nanmax(np.abs(buckets.mean)))])
    low, high = float(np.nanmin(buckets.low)), float(np.nanmax(buckets.high))
    mean = float(np.nanmean(buckets.mean))
    words = f"from {shown.factor * low:.4g} to {shown.factor * high:.4g}, mean {shown.factor * mean:.4g}"
    return f"{words} {shown.unit}".strip() + (f". {series.fit.told}" if series.fit else "")


def fine(series: Series, frame: Frame) -> Buckets:
    """Return the samples in the buckets that a zoom shows; `overview` of them is the whole plot."""
    return gather(series.times, series.values, (0.0, max(frame.end, 1e-9)), DETAIL)


def overview(detailed: Buckets) -> Buckets:
    """Return the buckets of a whole plot."""
    return detailed.coarser(DETAIL // BUCKETS)


def detail(series: Series, detailed: Buckets, buckets: Buckets) -> list[list[int | None]]:
    """Return least, mean and greatest of the finer buckets, in tenths of the plot's units."""
    y = _range(series, buckets)
    return [_tenths(numbers, y) for numbers in (detailed.low, detailed.mean, detailed.high)]


def _tenths(numbers: Numbers, y: _Y) -> list[int | None]:
    share = np.clip((numbers - y.low) / (y.high - y.low), 0.0, 1.0)
    places = np.rint(10.0 * (_BOTTOM - (_BOTTOM - _TOP) * share))
    return [None if math.isnan(number) else int(number) for number in places.tolist()]


def draw(series: Series, frame: Frame, buckets: Buckets) -> Markup:
    """Return the plot of one series."""
    told = in_words(series, buckets)
    if not np.isfinite(buckets.mean).any():
        return Markup()
    y = _range(series, buckets)
    shown = scale_of(series.unit, [float(np.nanmax(np.abs(buckets.mean)))])
    inside = [*_marks(frame, _TOP, _BOTTOM), *_curve(buckets, frame, y)]
    if series.fit:
        points = zip(series.fit.times, series.fit.values, strict=True)
        way = [(frame.x(t), y(v)) for t, v in points if math.isfinite(t) and math.isfinite(v)]
        inside.append(svg.path(way, "fit"))
    parts = [*_grid(frame, y, shown), _window(_TOP, _BOTTOM, inside), *_letters(frame, _TOP)]
    parts += _limits(series, y)
    parts.append(svg.label(f"{series.name} ({shown.unit})" if shown.unit else series.name, 4, 14, "name"))
    return svg.drawing((WIDTH, HEIGHT), series.name, told, parts, "plot")


_MODE_CLASSES = {"live": "mode-live", "held": "mode-held", "stopped": "mode-stopped"}
_STRIP_TOP, _STRIP_BOTTOM, _STRIP_HEIGHT = 18.0, 44.0, 70.0


def draw_modes(modes: Sequence[Span], frame: Frame) -> Markup:
    """Return the strip of modes over time; each stretch wide enough carries its name."""
    height = _STRIP_BOTTOM - _STRIP_TOP
    stretches: list[Markup] = []
    names: list[Markup] = []
    for span in modes:
        left, width = frame.x(span.start), frame.x(span.end) - frame.x(span.start)
        class_ = _MODE_CLASSES.get(span.what, "mode-other")
        stretches.append(svg.box(left, _STRIP_TOP, max(width, 0.7), height, class_))
        if class_ == "mode-held":
            stretches.append(svg.hatch(left, _STRIP_TOP, width, height, "guard"))
        middle, half = left + width / 2, _LETTER_WIDTH * len(span.what) / 2 + 4
        if width > 2 * half and not _crossed(middle - half, middle + half, frame):
            class_ = f"mode-name on-{class_}"
            names.append(svg.label(span.what, middle, _STRIP_TOP + 18, class_, anchor="middle"))
    parts = [
        _window(_STRIP_TOP, _STRIP_BOTTOM, stretches + _marks(frame, _STRIP_TOP, _STRIP_BOTTOM)),
        *names,
        *_letters(frame, _STRIP_TOP),
        *time_axis(frame, _STRIP_BOTTOM),
    ]
    return svg.drawing((WIDTH, _STRIP_HEIGHT), "Modes over time", _modes_told(modes), parts, "plot strip")


def _crossed(left: float, right: float, frame: Frame) -> bool:
    """Tell whether a gap lies between two places."""
    return any(frame.x(gap.start) < right and frame.x(gap.end) > left for gap in frame.gaps)


def _modes_told(modes: Iterable[Span]) -> str:
    total: dict[str, float] = {}
    for span in modes:
        total[span.what] = total.get(span.what, 0.0) + span.end - span.start
    return ", ".join(f"{what} for {show_duration(seconds)}" for what, seconds in total.items()) or "none seen"
