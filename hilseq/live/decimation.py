"""Samples as they come, kept in flat memory: buckets over the whole soak, the last ones as they are.

A bucket keeps least, mean and greatest value, so that no spike is lost. When a soak outgrows its buckets, two
and two become one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

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


class MinMaxDecimator:
    """The samples of one soak; times are seconds since it began.

    `plotted` are the columns that get buckets; least and greatest values are kept of all. `width` is that of
    a bucket, s.
    """

    def __init__(self, columns: int, plotted: list[int], mode: int | None, period: float) -> None:
        self.plotted = plotted
        self._mode = mode
        self._period = period if math.isfinite(period) and period > 0 else 1.0
        self.width = self._period
        shape = (MOST, len(plotted))
        self._low, self._high = np.full(shape, np.inf), np.full(shape, -np.inf)
        self._sum, self._number = np.zeros(shape), np.zeros(shape)
        self.used = 0
        self.count = 0
        self.last_time = math.nan
        self.last: Numbers = np.full(columns, np.nan)
        self.least: Numbers = np.full(columns, np.inf)
        self.greatest: Numbers = np.full(columns, -np.inf)
        self.recent_times: Numbers = np.empty(0)
        self.recent: Numbers = np.empty((0, len(plotted)))
        self.stretches: list[Stretch] = []

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
        self._fill(times, chosen)
        self.recent_times = np.concatenate([self.recent_times, times])[-RECENT:]
        self.recent = np.concatenate([self.recent, chosen])[-RECENT:]
        if self._mode is not None:
            self._stretch(times, values[:, self._mode])

    def _fill(self, times: Numbers, values: Numbers) -> None:
        while float(times.max()) >= MOST * self.width:
            self._coarsen()
        index = np.minimum((times / self.width).astype(np.int64), MOST - 1)
        good = np.isfinite(values)
        np.minimum.at(self._low, index, np.where(good, values, np.inf))
        np.maximum.at(self._high, index, np.where(good, values, -np.inf))
        np.add.at(self._sum, index, np.where(good, values, 0.0))
        np.add.at(self._number, index, good)
        self.used = max(self.used, int(index.max()) + 1)

    def _coarsen(self) -> None:
        pairs = (MOST // 2, 2, len(self.plotted))
        half = MOST // 2
        self._low[:half] = self._low.reshape(pairs).min(axis=1)
        self._high[:half] = self._high.reshape(pairs).max(axis=1)
        self._sum[:half] = self._sum.reshape(pairs).sum(axis=1)
        self._number[:half] = self._number.reshape(pairs).sum(axis=1)
        self._low[half:], self._high[half:], self._sum[half:], self._number[half:] = np.inf, -np.inf, 0, 0
        self.width *= 2
        self.used = (self.used + 1) // 2

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

    def buckets(self, first: int) -> tuple[Numbers, Numbers, Numbers]:
        """Return least, mean and greatest values of the buckets from `first` on; empty ones hold NaN."""
        part = slice(max(first, 0), self.used)
        number = self._number[part]
        empty = number == 0
        mean = np.where(empty, np.nan, self._sum[part] / np.where(empty, 1.0, number))
        return (
            np.where(empty, np.nan, self._low[part]),
            mean,
            np.where(empty, np.nan, self._high[part]),
        )
