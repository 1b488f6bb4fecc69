"""Hundreds of thousands of samples as a few hundred buckets, each with least, mean and greatest value.

The band of least to greatest keeps every spike that a plain thinning would lose.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Numbers = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Buckets:
    """Equal stretches of time from `start` on, each `width` seconds; empty ones hold NaN.

    `count` is the number of samples in each.
    """

    start: float
    width: float
    low: Numbers
    mean: Numbers
    high: Numbers
    count: Numbers

    def coarser(self, by: int) -> Buckets:
        """Return the same samples in wider buckets, `by` of these in each; their number must divide."""
        rows = (-1, by)
        count = self.count.reshape(rows).sum(axis=1)
        total = np.nansum((self.mean * self.count).reshape(rows), axis=1)
        empty = count == 0
        low = np.min(np.where(np.isnan(self.low), np.inf, self.low).reshape(rows), axis=1)
        high = np.max(np.where(np.isnan(self.high), -np.inf, self.high).reshape(rows), axis=1)
        return Buckets(
            self.start,
            self.width * by,
            np.where(empty, np.nan, low),
            np.where(empty, np.nan, total / np.where(empty, 1.0, count)),
            np.where(empty, np.nan, high),
            count,
        )


def gather(times: ArrayLike, values: ArrayLike, span: tuple[float, float], count: int) -> Buckets:
    """Return the samples in `count` buckets over `span`; samples that are no number are left out.

    Raises ValueError when times and values differ in number or the span is empty.
    """
    when, what = np.asarray(times, dtype=np.float64), np.asarray(values, dtype=np.float64)
    start, end = span
    if when.shape != what.shape or not end > start:
        raise ValueError(f"{when.size} times and {what.size} values over {start}..{end} s: expected as many")
    width = (end - start) / count
    good = np.isfinite(when) & np.isfinite(what) & (when >= start) & (when <= end)
    when, what = when[good], what[good]
    index = np.minimum(((when - start) / width).astype(np.int64), count - 1)
    if index.size and np.any(np.diff(index) < 0):
        order = np.argsort(index, kind="stable")
        index, what = index[order], what[order]
    low, mean, high = (np.full(count, np.nan) for _ in range(3))
    number = np.zeros(count)
    if index.size:
        firsts = np.flatnonzero(np.r_[True, np.diff(index) > 0])
        where = index[firsts]
        low[where] = np.minimum.reduceat(what, firsts)
        high[where] = np.maximum.reduceat(what, firsts)
        number[where] = np.diff(np.r_[firsts, index.size])
        mean[where] = np.add.reduceat(what, firsts) / number[where]
    return Buckets(start, width, low, mean, high, number)


def runs(present: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return the (first, end) of every unbroken stretch of True."""
    edges = np.flatnonzero(np.diff(np.r_[False, present, False].astype(np.int8)))
    return [(int(first), int(end)) for first, end in edges.reshape(-1, 2)]
