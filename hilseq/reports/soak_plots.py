"""Soak plots: one quantity over time as a band from min to max with its mean, and the strip of modes.

Gaps are hatched and never drawn across; events are lettered lines, explained in the table below the plots.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from string import ascii_uppercase

import numpy as np
from markupsafe import Markup

from hilseq.analysis.decimation import MinMaxDecimator, Numbers, decimate, stretches
from hilseq.quantities import show_duration
from hilseq.reports import svg
from hilseq.reports.formatting import scale_of
from hilseq.reports.soak import Series, SoakEvent, TimeSpan

#: The drawing is made for a sheet of paper; on a phone it scrolls inside its own frame.
WIDTH, HEIGHT = 760.0, 216.0
_PLOT, _STRIP = svg.PlotFrame(64.0, 34.0, 748.0, 190.0), svg.PlotFrame(64.0, 18.0, 748.0, 44.0)
BUCKETS = 720
#: What the script can zoom into: a minute each for a soak of three days.
DETAIL = 4320
#: More letters than this would hide the curve; all events stay in the table.
_MOST_LETTERS = 26
_LETTER_WIDTH = 7.5
_DAY, _HOUR, _MINUTE = 86400.0, 3600.0, 60.0
#: Steps of a time axis, s, and how many of them it has at most.
_MOST_STEPS = 8
_TIME_STEPS = (
    1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 172800, 604800,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class TimeFrame:
    """What all plots of one soak share: the stretch of time, gaps and events."""

    end: float
    gaps: Sequence[TimeSpan] = ()
    events: Sequence[SoakEvent] = ()

    def x(self, time: float) -> float:
        """Return the place of a time, clipped to the plot."""
        return svg.Axis(0.0, self.end, _PLOT.left, _PLOT.right)(time)


def letter(number: int) -> str:
    """Return the letter of an event; from the twenty-seventh on, its number."""
    return ascii_uppercase[number] if number < _MOST_LETTERS else str(number + 1)


def time_steps(end: float) -> list[tuple[float, str]]:
    """Return (seconds, label) of the marks of a time axis."""
    step = next((step for step in _TIME_STEPS if end / step <= _MOST_STEPS), _TIME_STEPS[-1])
    while end / step > _MOST_STEPS:
        step *= 2
    names = ((_DAY, "d"), (_HOUR, "h"), (_MINUTE, "min"), (1.0, "s"))
    size, name = next((size, name) for size, name in names if step % size == 0)
    return [(n * step, f"{n * step / size:g} {name}") for n in range(int(end / step + 1e-9) + 1)]


def _range(series: Series, buckets: MinMaxDecimator) -> svg.Axis:
    """Return the values shown: all samples, and limits that are near enough to matter."""
    known = [float(v) for v in (np.nanmin(buckets.low), np.nanmax(buckets.high))]
    if series.fit:
        known += [value for value in series.fit.values if math.isfinite(value)]
    low, high = min(known), max(known)
    reach = max(high - low, abs(high) * 0.02, 1e-9)
    near = [end for end in (series.low, series.high) if end is not None and low - reach < end < high + reach]
    low, high = min([low, *near]), max([high, *near])
    return svg.Axis.around((low, high), _PLOT.bottom, _PLOT.top, air=0.06)


def _window(frame: svg.PlotFrame, parts: Iterable[Markup]) -> Markup:
    """Return the part of a plot that the script can zoom: its own drawing, stretched over the plot."""
    view = " ".join(svg.place(number) for number in (frame.left, frame.top, frame.width, frame.height))
    return svg.element(
        "svg",
        Markup().join(parts),
        class_="window",
        x=frame.left,
        y=frame.top,
        width=frame.width,
        height=frame.height,
        viewBox=view,
        preserveAspectRatio="none",
    )


def time_axis(time: TimeFrame, frame: svg.PlotFrame) -> Markup:
    """Return the marks and labels of the time axis, as one group that a zoom redraws."""
    marks = frame.across((time.x(seconds), words) for seconds, words in time_steps(time.end))
    return svg.element("g", Markup().join(marks), class_="times", data_bottom=frame.bottom)


def _marks(time: TimeFrame, frame: svg.PlotFrame) -> list[Markup]:
    parts = []
    for gap in time.gaps:
        left, right = time.x(gap.start), time.x(gap.end)
        parts.append(svg.box(left, frame.top, max(right - left, 1.0), frame.height, "gap"))
        parts.append(svg.hatch(left, frame.top, right - left, frame.height, "gap-lines"))
    places = [time.x(event.at) for event in time.events[:_MOST_LETTERS]]
    return parts + [svg.line(x, frame.top, x, frame.bottom, "event") for x in places]


def _letters(frame: TimeFrame, top: float) -> list[Markup]:
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


def _curve(buckets: MinMaxDecimator, frame: TimeFrame, y: svg.Axis) -> list[Markup]:
    parts = []
    xs = [frame.x(time) for time in buckets.middles.tolist()]
    low, means, high = buckets.low.tolist(), buckets.mean.tolist(), buckets.high.tolist()
    for first, end in stretches(buckets.count > 0):
        upper, lower, mean = (
            [(x, y(v)) for x, v in zip(xs[first:end], values[first:end], strict=True)]
            for values in (high, low, means)
        )
        if end - first == 1:  # a lone bucket still shows
            mean = [(xs[first] - 0.5, mean[0][1]), (xs[first] + 0.5, mean[0][1])]
        parts += [svg.path(upper + lower[::-1], "band"), svg.path(mean, "mean")]
    return parts


def in_words(series: Series, buckets: MinMaxDecimator) -> str:
    """Return what a plot shows to those who do not see it: min, mean, max, limits."""
    if not np.isfinite(buckets.mean).any():
        return "no samples"
    shown = scale_of(series.unit, [float(np.nanmax(np.abs(buckets.mean)))])
    low, high = float(np.nanmin(buckets.low)), float(np.nanmax(buckets.high))
    mean = float(np.nanmean(buckets.mean))
    words = f"from {shown.factor * low:.4g} to {shown.factor * high:.4g}, mean {shown.factor * mean:.4g}"
    return f"{words} {shown.unit}".strip() + (f". {series.fit.reported}" if series.fit else "")


def fine(series: Series, frame: TimeFrame) -> MinMaxDecimator:
    """Return the samples in the buckets that a zoom shows; `overview` of them is the whole plot."""
    return decimate(series.times, series.values, (0.0, max(frame.end, 1e-9)), DETAIL)


def overview(detailed: MinMaxDecimator) -> MinMaxDecimator:
    """Return the buckets of a whole plot."""
    return detailed.coarser(DETAIL // BUCKETS)


def detail(series: Series, detailed: MinMaxDecimator, buckets: MinMaxDecimator) -> list[list[int | None]]:
    """Return min, mean and max of the finer buckets, in tenths of the plot's units."""
    y = _range(series, buckets)
    return [_tenths(numbers, y) for numbers in (detailed.low, detailed.mean, detailed.high)]


def _tenths(numbers: Numbers, y: svg.Axis) -> list[int | None]:
    return [None if math.isnan(number) else round(10.0 * y(number)) for number in numbers.tolist()]


def draw(series: Series, frame: TimeFrame, buckets: MinMaxDecimator) -> Markup:
    """Return the plot of one series."""
    reported = in_words(series, buckets)
    if not np.isfinite(buckets.mean).any():
        return Markup()
    y = _range(series, buckets)
    shown = scale_of(series.unit, [float(np.nanmax(np.abs(buckets.mean)))])
    inside = [*_marks(frame, _PLOT), *_curve(buckets, frame, y)]
    if series.fit:
        points = zip(series.fit.times, series.fit.values, strict=True)
        way = [(frame.x(t), y(v)) for t, v in points if math.isfinite(t) and math.isfinite(v)]
        inside.append(svg.path(way, "fit"))
    parts = [*_PLOT.upwards(y, 5, shown.factor), time_axis(frame, _PLOT), _window(_PLOT, inside)]
    parts += _letters(frame, _PLOT.top)
    for end, word in ((series.low, "lower limit"), (series.high, "upper limit")):
        parts += _PLOT.level(y, end, "limit", word)
    parts.append(svg.label(f"{series.name} ({shown.unit})" if shown.unit else series.name, 4, 14, "name"))
    return svg.drawing((WIDTH, HEIGHT), series.name, reported, parts, "plot")


_MODE_CLASSES = {"live": "mode-live", "held": "mode-held", "stopped": "mode-stopped"}
_STRIP_HEIGHT = 70.0


def draw_modes(modes: Sequence[TimeSpan], frame: TimeFrame) -> Markup:
    """Return the strip of modes over time; each stretch wide enough carries its name."""
    spans: list[Markup] = []
    names: list[Markup] = []
    for span in modes:
        left, width = frame.x(span.start), frame.x(span.end) - frame.x(span.start)
        class_ = _MODE_CLASSES.get(span.what, "mode-other")
        spans.append(svg.box(left, _STRIP.top, max(width, 0.7), _STRIP.height, class_))
        if class_ == "mode-held":
            spans.append(svg.hatch(left, _STRIP.top, width, _STRIP.height, "guard"))
        middle, half = left + width / 2, _LETTER_WIDTH * len(span.what) / 2 + 4
        if width > 2 * half and not _crossed(middle - half, middle + half, frame):
            class_ = f"mode-name on-{class_}"
            names.append(svg.label(span.what, middle, _STRIP.top + 18, class_, anchor="middle"))
    parts = [
        _window(_STRIP, spans + _marks(frame, _STRIP)),
        *names,
        *_letters(frame, _STRIP.top),
        time_axis(frame, _STRIP),
    ]
    return svg.drawing((WIDTH, _STRIP_HEIGHT), "Modes over time", _modes_reported(modes), parts, "plot strip")


def _crossed(left: float, right: float, frame: TimeFrame) -> bool:
    """Return whether a gap lies between two places."""
    return any(frame.x(gap.start) < right and frame.x(gap.end) > left for gap in frame.gaps)


def _modes_reported(modes: Iterable[TimeSpan]) -> str:
    total: dict[str, float] = {}
    for span in modes:
        total[span.what] = total.get(span.what, 0.0) + span.end - span.start
    return ", ".join(f"{what} for {show_duration(seconds)}" for what, seconds in total.items()) or "none seen"
