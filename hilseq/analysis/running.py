"""Running mean, standard deviation, extremes and lag-1 autocorrelation of a series of any length.

Constant memory, one pass, and no loss of digits over days: deviations are taken from the first value
and updated by Welford's recurrence (Technometrics 4, 1962), parts are merged by the pairwise formula
of Chan, Golub and LeVeque (1983), both from memory; the lag-1 update is derived in `_moved`. The sum
of squares minus n times the squared mean would lose all digits (NumAcc4: sd 0 instead of 0.1).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from copy import copy


class Running:
    """Statistics of the values added so far, in the unit of the values."""

    __slots__ = ("_count", "_first", "_highest", "_lag", "_last", "_lowest", "_mean", "_squares")

    def __init__(self, values: Iterable[float] = ()) -> None:
        self._count = 0
        # Mean, squares and lag products are of the deviations from the first value.
        self._mean = self._squares = self._lag = 0.0
        self._first = self._last = math.nan
        self._lowest, self._highest = math.inf, -math.inf
        for value in values:
            self.add(value)

    def add(self, value: float) -> None:
        """Take one more value, in the order of time. Raises ValueError unless it is finite."""
        if not math.isfinite(value):
            raise ValueError(
                f"a value of {value!r}: expected a finite number; count missing samples elsewhere"
            )
        if self._count == 0:
            self._first = self._last = value
        deviation, before = value - self._first, self._last - self._first
        self._count += 1
        step = (deviation - self._mean) / self._count
        lag = self._moved(step, self._count - 1)
        self._squares += (deviation - self._mean) * (deviation - self._mean - step)
        self._mean += step
        self._lag = lag + (deviation - self._mean) * (before - self._mean) if self._count > 1 else 0.0
        self._last = value
        self._lowest, self._highest = min(self._lowest, value), max(self._highest, value)

    def _moved(self, step: float, count: int) -> float:
        """Return the sum of (x[i] - m)(x[i+1] - m) of the `count` values so far, about m = mean + step.

        Expanding the product, all deviations sum to 0, so that only the first and the last remain.
        """
        ends = -self._mean + (self._last - self._first - self._mean)
        return self._lag + step * ends + max(0, count - 1) * step * step

    def merged(self, later: Running) -> Running:
        """Return the statistics of these values followed by the later ones; neither is changed."""
        if not later._count or not self._count:
            return copy(later if later._count else self)
        both, shift = Running(), later._first - self._first
        count = self._count + later._count
        apart = later._mean + shift - self._mean
        mine, theirs = apart * later._count / count, -apart * self._count / count
        both._count, both._first, both._last = count, self._first, later._last
        both._mean = self._mean + mine
        both._squares = self._squares + later._squares + apart * mine * self._count
        seam = (self._last - self._first - both._mean) * (shift - both._mean)
        both._lag = self._moved(mine, self._count) + later._moved(theirs, later._count) + seam
        both._lowest = min(self._lowest, later._lowest)
        both._highest = max(self._highest, later._highest)
        return both

    def _need(self, count: int, what: str) -> None:
        if self._count < count:
            raise ValueError(f"the {what} of {self._count} values: expected at least {count}")

    @property
    def count(self) -> int:
        """How many values were added."""
        return self._count

    @property
    def mean(self) -> float:
        """The arithmetic mean. Raises ValueError without a value."""
        self._need(1, "mean")
        return self._first + self._mean

    @property
    def sd(self) -> float:
        """The standard deviation of the sample (n - 1). Raises ValueError below two values."""
        self._need(2, "standard deviation")
        return math.sqrt(max(0.0, self._squares) / (self._count - 1))

    @property
    def mean_sd(self) -> float:
        """The standard uncertainty of the mean if the values are independent: look at `lag_1` first."""
        return self.sd / math.sqrt(self._count)

    @property
    def lowest(self) -> float:
        """The lowest value. Raises ValueError without a value."""
        self._need(1, "lowest")
        return self._lowest

    @property
    def highest(self) -> float:
        """The highest value. Raises ValueError without a value."""
        self._need(1, "highest")
        return self._highest

    @property
    def lag_1(self) -> float:
        """The lag-1 autocorrelation as NIST StRD defines it; 0 for a constant series."""
        self._need(2, "autocorrelation")
        return self._lag / self._squares if self._squares > 0.0 else 0.0
