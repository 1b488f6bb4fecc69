"""Hundreds of thousands of samples as a few hundred buckets, each with its min, mean and max.

The band from min to max keeps every spike that plain thinning would lose. Samples may come all at once
(`decimate`) or as they are taken (`MinMaxDecimator.add`).
"""

from __future__ import annotations

import math
from typing import NamedTuple, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

Numbers = NDArray[np.float64]


class _Parts(NamedTuple):
    low: Numbers
    high: Numbers
    total: Numbers
    number: Numbers


class MinMaxDecimator:
    """`size` equal stretches of time from `start` on, each `width` seconds wide at first.

    When samples outgrow them, two and two become one, so that memory stays flat. `used` counts the stretches up
    to that of the last sample, `count` the samples in each that are numbers.
    """

    def __init__(self, size: int, width: float, start: float = 0.0) -> None:
        self.start = start
        self.width = width
        self.used = 0
        self._take(_Parts(np.full(size, np.inf), np.full(size, -np.inf), np.zeros(size), np.zeros(size)))

    def _take(self, parts: _Parts) -> None:
        self._low, self._high, self._sum, self.count = parts

    @property
    def low(self) -> Numbers:
        """The least sample of each bucket; NaN where it is empty."""
        return np.where(self.count > 0, self._low, np.nan)

    @property
    def mean(self) -> Numbers:
        """The mean of each bucket; NaN where it is empty."""
        return np.where(self.count > 0, self._sum / np.maximum(self.count, 1.0), np.nan)

    @property
    def high(self) -> Numbers:
        """The greatest sample of each bucket; NaN where it is empty."""
        return np.where(self.count > 0, self._high, np.nan)

    @property
    def middles(self) -> Numbers:
        """The time in the middle of each bucket."""
        return self.start + self.width * (np.arange(self.count.size, dtype=np.float64) + 0.5)

    def add(self, times: Numbers, values: Numbers) -> None:
        """Take samples; a value that is no finite number only takes its time.

        `times` are finite and not before `start`.
        """
        if not times.size:
            return
        while float(times.max()) >= self.start + self.count.size * self.width:
            self._grow()
        index = np.minimum(((times - self.start) / self.width).astype(np.int64), self.count.size - 1)
        self.used = max(self.used, int(index.max()) + 1)
        known = np.isfinite(values)
        index, values = index[known], values[known]
        if not index.size:
            return
        if np.any(np.diff(index) < 0):
            order = np.argsort(index, kind="stable")
            index, values = index[order], values[order]
        firsts = np.flatnonzero(np.r_[True, np.diff(index) > 0])
        where = index[firsts]
        self._low[where] = np.minimum(self._low[where], np.minimum.reduceat(values, firsts))
        self._high[where] = np.maximum(self._high[where], np.maximum.reduceat(values, firsts))
        self._sum[where] += np.add.reduceat(values, firsts)
        self.count[where] += np.diff(np.r_[firsts, index.size])

    def coarser(self, by: int) -> Self:
        """Return the same samples in wider buckets, `by` of these in each.

        Raises ValueError when their number cannot be divided so.
        """
        parts = self._joined(by)
        made = type(self)(parts.number.size, self.width * by, self.start)
        made._take(parts)  # noqa: SLF001 (of this class)
        made.used = math.ceil(self.used / by)
        return made

    def _joined(self, by: int) -> _Parts:
        size, rest = divmod(self.count.size, by)
        if rest:
            raise ValueError(f"{self.count.size} buckets cannot be joined {by} by {by}")
        rows = (size, by)
        return _Parts(
            self._low.reshape(rows).min(axis=1),
            self._high.reshape(rows).max(axis=1),
            self._sum.reshape(rows).sum(axis=1),
            self.count.reshape(rows).sum(axis=1),
        )

    def _grow(self) -> None:
        """Join two and two, and begin the second half anew."""
        half = self._joined(2)
        more = half.number.size
        self._take(
            _Parts(
                np.r_[half.low, np.full(more, np.inf)],
                np.r_[half.high, np.full(more, -np.inf)],
                np.r_[half.total, np.zeros(more)],
                np.r_[half.number, np.zeros(more)],
            )
        )
        self.width *= 2
        self.used = math.ceil(self.used / 2)


def decimate(times: ArrayLike, values: ArrayLike, span: tuple[float, float], count: int) -> MinMaxDecimator:
    """Return the samples in `count` buckets over `span`, both ends within; samples beyond it are left out.

    Raises ValueError when times and values differ in number or the span is empty.
    """
    when, what = np.asarray(times, dtype=np.float64), np.asarray(values, dtype=np.float64)
    start, end = span
    if when.shape != what.shape or not end > start:
        raise ValueError(f"{when.size} times and {what.size} values over {start}..{end} s: expected as many")
    made = MinMaxDecimator(count, (end - start) / count, start)
    inside = np.isfinite(when) & (when >= start) & (when <= end)
    # The last instant belongs to the last bucket.
    last = np.nextafter(start + count * made.width, start)
    made.add(np.minimum(when[inside], last), what[inside])
    return made


def stretches(present: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return the (first, end) of every unbroken stretch of True."""
    edges = np.flatnonzero(np.diff(np.r_[False, present, False].astype(np.int8)))
    return [(int(first), int(end)) for first, end in edges.reshape(-1, 2)]
