"""The straight line through a channel's readings, and how far the channel strays from it.

A channel is stepped over its range; `applied` is what the stand gave, `read` what the unit reported.
Gain is in units of `read` per unit of `applied`; offset and deviations are in the unit of `read`.

Source: ordinary least squares with its textbook standard errors, checked against NIST StRD "Norris".
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class CalibrationLine:
    """read = offset + gain * applied, with standard uncertainties from the scatter about the line.

    `residual_deviation` is the standard deviation about the line with `degrees_of_freedom` n - 2;
    `largest_deviation` is the signed residual of largest size, found at `largest_at` (unit of `applied`).
    """

    gain: float
    offset: float
    gain_uncertainty: float
    offset_uncertainty: float
    residual_deviation: float
    degrees_of_freedom: int
    largest_deviation: float
    largest_at: float

    def at(self, applied: float) -> float:
        """Return what the line reads at `applied`."""
        return self.offset + self.gain * applied


@dataclass(frozen=True, slots=True)
class Hysteresis:
    """Largest difference falling minus rising, signed (unit of `read`), and the applied value it was at."""

    largest: float
    at: float


def _checked(name: str, values: Sequence[float], count: int) -> None:
    if len(values) != count:
        raise ValueError(f"{len(values)} values {name}; expected {count}, one per applied value")
    for value in values:
        if not math.isfinite(value):
            raise ValueError(f"value {name} {value!r}; expected a finite number")


def fit_line(applied: Sequence[float], read: Sequence[float]) -> CalibrationLine:
    """Return the least squares line through three or more points, at two or more applied values.

    Sums are exact and taken about the mean, so a large offset costs no digits. Raises ValueError for
    too few points, unequal lengths, a value that is not finite, or all points at one applied value.
    """
    count = len(applied)
    if count < 3:  # noqa: PLR2004 (two points fit every line: nothing would be left to judge it by)
        raise ValueError(f"{count} points; expected at least 3 for a line with its uncertainty")
    _checked("applied", applied, count)
    _checked("read", read, count)
    mean_x, mean_y = math.fsum(applied) / count, math.fsum(read) / count
    spread = math.fsum((x - mean_x) ** 2 for x in applied)
    if spread == 0.0:
        raise ValueError(
            f"all {count} points at {applied[0]!r}; expected at least 2 different applied values"
        )
    pairs = list(zip(applied, read, strict=True))
    gain = math.fsum((x - mean_x) * (y - mean_y) for x, y in pairs) / spread
    residuals = [(y - mean_y) - gain * (x - mean_x) for x, y in pairs]
    deviation = math.sqrt(math.fsum(residual**2 for residual in residuals) / (count - 2))
    largest_at, largest = max(zip(applied, residuals, strict=True), key=lambda point: abs(point[1]))
    return CalibrationLine(
        gain=gain,
        offset=mean_y - gain * mean_x,
        gain_uncertainty=deviation / math.sqrt(spread),
        offset_uncertainty=deviation * math.sqrt(1.0 / count + mean_x**2 / spread),
        residual_deviation=deviation,
        degrees_of_freedom=count - 2,
        largest_deviation=largest,
        largest_at=largest_at,
    )


def repeatability(groups: Sequence[Sequence[float]]) -> float:
    """Return the pooled standard deviation of readings repeated at each of several applied values.

    Each group holds the readings at one applied value; groups of one reading add nothing. Raises ValueError
    when no value was repeated or a reading is not finite.
    """
    squares: list[float] = []
    degrees = 0
    for group in groups:
        _checked("read", group, len(group))
        if group:
            mean = math.fsum(group) / len(group)
            squares.extend((value - mean) ** 2 for value in group)
            degrees += len(group) - 1
    if degrees == 0:
        raise ValueError(
            f"{len(groups)} groups without a repeated reading; expected at least one of 2 readings"
        )
    return math.sqrt(math.fsum(squares) / degrees)


def hysteresis(applied: Sequence[float], rising: Sequence[float], falling: Sequence[float]) -> Hysteresis:
    """Return the largest difference between falling and rising sweep at the same applied values.

    All three run in the order of `applied` (turn the falling sweep round first). Raises ValueError for
    unequal lengths, no points, or a value that is not finite.
    """
    if not applied:
        raise ValueError("a sweep of 0 points; expected at least 1")
    _checked("applied", applied, len(applied))
    _checked("read rising", rising, len(applied))
    _checked("read falling", falling, len(applied))
    differences = (down - up for up, down in zip(rising, falling, strict=True))
    at, largest = max(zip(applied, differences, strict=True), key=lambda point: abs(point[1]))
    return Hysteresis(largest, at)
