"""Linear drift of a series, and clock error in parts per million, each with its uncertainty.

Ordinary least squares from sums that are updated one pair at a time, about the running means, so that
260 000 samples of a soak cost a few numbers and lose no digits.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

_SECONDS_PER_DAY = 86400.0


@dataclass(frozen=True, slots=True)
class Line:
    """A fitted line: y = intercept + slope * x, with standard deviations (k = 1).

    The standard deviations are NaN for two points, and too small where residuals follow each other.
    """

    intercept: float
    intercept_sd: float
    slope: float
    slope_sd: float
    residual_sd: float
    count: int


class Drift:
    """Collects pairs (x, y) and fits a line through those so far."""

    __slots__ = ("_count", "_x0", "_x_mean", "_xx", "_xy", "_y0", "_y_mean", "_yy")

    def __init__(self, pairs: Iterable[tuple[float, float]] = ()) -> None:
        self._count = 0
        self._x0 = self._y0 = self._x_mean = self._y_mean = 0.0
        self._xx = self._xy = self._yy = 0.0
        for x, y in pairs:
            self.add(x, y)

    def add(self, x: float, y: float) -> None:
        """Take one more pair, for example time in seconds and a reading. Raises ValueError unless finite."""
        if not (math.isfinite(x) and math.isfinite(y)):
            raise ValueError(f"the pair ({x!r}, {y!r}): expected two finite numbers")
        if self._count == 0:
            self._x0, self._y0 = x, y
        self._count += 1
        from_x, from_y = x - self._x0 - self._x_mean, y - self._y0 - self._y_mean
        self._x_mean += from_x / self._count
        self._y_mean += from_y / self._count
        self._xx += from_x * (x - self._x0 - self._x_mean)
        self._xy += from_x * (y - self._y0 - self._y_mean)
        self._yy += from_y * (y - self._y0 - self._y_mean)

    @property
    def count(self) -> int:
        """How many pairs were added."""
        return self._count

    def line(self) -> Line:
        """Fit the line. Raises ValueError below two pairs or when all x are equal."""
        if self._count < 2 or self._xx <= 0.0:  # noqa: PLR2004 - a line takes two points
            raise ValueError(f"a line through {self._count} pairs: expected two or more at different x")
        slope = self._xy / self._xx
        free = self._count - 2
        residual = math.sqrt(max(0.0, self._yy - slope * self._xy) / free) if free else math.nan
        slope_sd = residual / math.sqrt(self._xx)
        x_mean = self._x0 + self._x_mean
        return Line(
            intercept=self._y0 + self._y_mean - slope * x_mean,
            intercept_sd=residual * math.sqrt(1.0 / self._count + x_mean * x_mean / self._xx),
            slope=slope,
            slope_sd=slope_sd,
            residual_sd=residual,
            count=self._count,
        )


@dataclass(frozen=True, slots=True)
class ClockError:
    """How much a clock gains (positive) or loses, in parts per million, with standard uncertainty."""

    ppm: float
    uncertainty_ppm: float
    span: float

    @property
    def seconds_per_day(self) -> float:
        """The same as seconds gained per day."""
        return self.ppm * 1e-6 * _SECONDS_PER_DAY


def clock_error(
    pairs: Iterable[tuple[float, float]], *, clock_step: float, reference_step: float = 0.0
) -> ClockError:
    """Return the rate error of a clock from pairs (reference time, clock time), all in seconds.

    `clock_step` and `reference_step` are the resolutions of the readings. A reading cut to steps q has
    the standard uncertainty q/sqrt(12) (JCGM 100, 4.3.7 and F.2.2.1, from memory); the two ends of the
    span T give q/(sqrt(6)*T) for the rate. More readings are not credited for it: read at the same phase
    of the second, all of them are wrong alike. The scatter of the readings is added in quadrature.
    Raises ValueError below two pairs at different times or for negative steps.
    """
    if clock_step < 0.0 or reference_step < 0.0:
        raise ValueError(f"reading steps of {clock_step!r} and {reference_step!r} s: expected 0 or more")
    drift, first, last = Drift(), math.inf, -math.inf
    for reference, clock in pairs:
        drift.add(reference, clock - reference)
        first, last = min(first, reference), max(last, reference)
    line, span = drift.line(), last - first
    steps = math.hypot(clock_step, reference_step) / (math.sqrt(6.0) * span)
    scatter = 0.0 if math.isnan(line.slope_sd) else line.slope_sd
    return ClockError(1e6 * line.slope, 1e6 * math.hypot(steps, scatter), span)


def span_needed(uncertainty_ppm: float, *, clock_step: float, reference_step: float = 0.0) -> float:
    """Return the seconds to watch a clock so that the reading steps alone give this standard uncertainty."""
    if not uncertainty_ppm > 0.0:
        raise ValueError(f"an uncertainty of {uncertainty_ppm!r} ppm: expected more than 0")
    return math.hypot(clock_step, reference_step) / (math.sqrt(6.0) * uncertainty_ppm * 1e-6)
