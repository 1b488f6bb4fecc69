"""Samples as they come, kept in flat memory: buckets over the whole soak, the last ones as they are."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hilseq.analysis.decimation import MinMaxDecimator

Numbers = NDArray[np.float64]

#: Buckets at the most; a plot on a screen shows no more.
MOST = 1440
#: Samples kept as they are.
RECENT = 900
#: A longer silence than so many periods is a gap.
GAP_PERIODS = 2.5
#: No soak is longer, s; times beyond are no times.
_LONGEST = 3.2e8
#: Stretches of the mode strip kept; older ones than these are left out.
_MOST_STRETCHES = 4000


@dataclass(slots=True)
class Stretch:
    """A stretch of time in one mode; the number is NaN where the unit did not say."""

    start: float
    end: float
    number: float


class SampleWindow:
    """The samples of one soak; times are seconds since it began.

    `plotted` are the columns that get buckets; least and greatest values are kept of all.
    """

    def __init__(self, columns: int, plotted: list[int], mode: int | None, period: float) -> None:
        self.plotted = plotted
        self._mode = mode
        self._period = period if math.isfinite(period) and period > 0 else 1.0
        # One for the times alone, where no column is plotted.
        self._decimators = [MinMaxDecimator(MOST, self._period) for _ in plotted or [0]]
        self.count = 0
        self.last_time = math.nan
        self.last: Numbers = np.full(columns, np.nan)
        self.least: Numbers = np.full(columns, np.inf)
        self.greatest: Numbers = np.full(columns, -np.inf)
        self.recent_times: Numbers = np.empty(0)
        self.recent: Numbers = np.empty((0, len(plotted)))
        self.stretches: list[Stretch] = []

    @property
    def width(self) -> float:
        """Width of a bucket, s."""
        return self._decimators[0].width

    @property
    def used(self) -> int:
        """Buckets up to that of the last sample."""
        return self._decimators[0].used

    def add(self, times: Numbers, given: NDArray[np.floating]) -> None:
        """Take samples, in the order of their times; what has no possible time is left out."""
        sound = np.isfinite(times) & (times >= 0) & (times < _LONGEST)
        times, values = times[sound], np.asarray(given[sound], dtype=np.float64)
        if not times.size:
            return
        self.count += times.size
        self.last_time, self.last = float(times[-1]), values[-1]
        self.least = np.fmin(self.least, np.fmin.reduce(values, axis=0))
        self.greatest = np.fmax(self.greatest, np.fmax.reduce(values, axis=0))
        chosen = values[:, self.plotted]
        for number, decimator in enumerate(self._decimators):
            decimator.add(times, chosen[:, number] if self.plotted else times)
        self.recent_times = np.concatenate([self.recent_times, times])[-RECENT:]
        self.recent = np.concatenate([self.recent, chosen])[-RECENT:]
        if self._mode is not None:
            self._stretch(times, values[:, self._mode])

    def _stretch(self, times: Numbers, modes: Numbers) -> None:
        gap = GAP_PERIODS * self._period
        before = np.r_[self.stretches[-1].end if self.stretches else -np.inf, times[:-1]]
        old = np.r_[self.stretches[-1].number if self.stretches else np.nan, modes[:-1]]
        same = (modes == old) | (np.isnan(modes) & np.isnan(old))
        starts = np.flatnonzero(~same | (times - before > gap))
        head = int(starts[0]) if starts.size else times.size
        if head and self.stretches:
            self.stretches[-1].end = float(times[head - 1])
        ends = [*starts[1:], times.size] if starts.size else []
        for first, end in zip(starts, ends, strict=True):
            # A mode lasts until the next sample says otherwise; a gap is nobody's.
            if self.stretches and times[first] - self.stretches[-1].end <= gap:
                self.stretches[-1].end = float(times[first])
            self.stretches.append(Stretch(float(times[first]), float(times[end - 1]), float(modes[first])))
        del self.stretches[:-_MOST_STRETCHES]

    def buckets(self, first: int) -> list[tuple[Numbers, Numbers, Numbers]]:
        """Return of each plotted column min, mean and max of the buckets from `first` on; NaN in empty ones."""
        part = slice(max(first, 0), self.used)
        made = self._decimators[: len(self.plotted)]
        return [(one.low[part], one.mean[part], one.high[part]) for one in made]
