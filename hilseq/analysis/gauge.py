"""Gauge repeatability and reproducibility: how much of what is seen is the measuring, by analysis of variance.

The same units are measured several times at each of several places (slots, stands). The model is that of two crossed
random factors with their interaction; a component that comes out negative is zero.

Sources: expected mean squares as in SAS/STAT User's Guide, VARCOMP procedure, "Gauge Repeatability and Reproducibility
Analysis"; pooling of an interaction that is not significant at 5 % as in the package SixSigma of R (book Six Sigma with
R, 2012, ch. 5); ratios as in Measurement Systems Analysis, 4th edition (2010), from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean

#: An interaction less significant than that is pooled with the repeatability.
POOLED_FROM = 0.05
#: Width of what a process spreads over, in standard deviations.
_SPREAD = 6.0


@dataclass(frozen=True, slots=True)
class VarianceRow:
    """One row of the table: sum of squares, degrees of freedom, mean square, F and its probability (None: no test)."""

    source: str
    squares: float
    degrees: int
    mean_square: float
    f: float | None
    probability: float | None


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """What the variance of readings is made of, in their unit squared.

    `repeatability` is that of repeats at one place, `places` that between places, `interaction` what differs between
    places from unit to unit (0 where it was `pooled`), `units` that between the units.
    """

    rows: tuple[VarianceRow, ...]
    pooled: bool
    repeatability: float
    places: float
    interaction: float
    units: float

    @property
    def reproducibility(self) -> float:
        """Variance between places, that of their interaction with the units included."""
        return self.places + self.interaction

    @property
    def gauge(self) -> float:
        """Variance of the measuring."""
        return self.repeatability + self.reproducibility

    @property
    def total(self) -> float:
        """Variance of all."""
        return self.gauge + self.units

    @property
    def share(self) -> float:
        """Standard deviation of the measuring as a share of that of all, 0 to 1; 0 where nothing varies."""
        return math.sqrt(self.gauge / self.total) if self.total > 0.0 else 0.0

    @property
    def distinct(self) -> int:
        """How many groups of such units the measuring tells apart, at least 1."""
        if self.gauge <= 0.0:
            return 1
        return max(1, math.floor(math.sqrt(2.0 * self.units / self.gauge)))

    def to_tolerance(self, width: float) -> float:
        """Return six standard deviations of the measuring over the width of the limits, in the unit of the readings."""
        return _SPREAD * math.sqrt(self.gauge) / width


def gauge_study(readings: Sequence[Sequence[Sequence[float]]]) -> GaugeStudy:
    """Return the study of `readings[unit][place][repeat]`.

    Raises ValueError unless there are at least two of each, as many repeats everywhere, and all are finite.
    """
    places, repeats = _checked(readings)
    units = len(readings)
    cells = [[fmean(cell) for cell in row] for row in readings]
    mean = fmean(value for row in cells for value in row)
    by_unit = [fmean(row) for row in cells]
    by_place = [fmean(row[place] for row in cells) for place in range(places)]
    of_units = places * repeats * math.fsum((one - mean) ** 2 for one in by_unit)
    of_places = units * repeats * math.fsum((one - mean) ** 2 for one in by_place)
    together = repeats * math.fsum(
        (cells[u][p] - by_unit[u] - by_place[p] + mean) ** 2 for u in range(units) for p in range(places)
    )
    error = math.fsum(
        (value - cells[u][p]) ** 2 for u in range(units) for p in range(places) for value in readings[u][p]
    )
    degrees = (units - 1, places - 1, (units - 1) * (places - 1), units * places * (repeats - 1))
    crossed = _row("unit x place", together, degrees[2], error / degrees[3], degrees[3])
    pooled = crossed.probability is not None and crossed.probability > POOLED_FROM
    if pooled:
        rest, of_rest = (together + error) / (degrees[2] + degrees[3]), degrees[2] + degrees[3]
        against, of_against = rest, of_rest
    else:
        rest, of_rest = error / degrees[3], degrees[3]
        against, of_against = crossed.mean_square, degrees[2]
    rows = (
        _row("units", of_units, degrees[0], against, of_against),
        _row("places", of_places, degrees[1], against, of_against),
        crossed,
        VarianceRow("repeats", error, degrees[3], error / degrees[3], None, None),
    )
    return GaugeStudy(
        rows=rows,
        pooled=pooled,
        repeatability=rest,
        places=max(0.0, (rows[1].mean_square - against) / (units * repeats)),
        interaction=0.0 if pooled else max(0.0, (crossed.mean_square - rest) / repeats),
        units=max(0.0, (rows[0].mean_square - against) / (places * repeats)),
    )


def _row(source: str, squares: float, degrees: int, against: float, of_against: int) -> VarianceRow:
    mean_square = squares / degrees
    if not against > 0.0:
        return VarianceRow(source, squares, degrees, mean_square, None, None)
    from scipy.special import fdtrc

    f = mean_square / against
    return VarianceRow(source, squares, degrees, mean_square, f, float(fdtrc(degrees, of_against, f)))


def _checked(readings: Sequence[Sequence[Sequence[float]]]) -> tuple[int, int]:
    """Return the number of places and of repeats. Raises ValueError."""
    places = {len(row) for row in readings}
    repeats = {len(cell) for row in readings for cell in row}
    if len(readings) < 2 or len(places) != 1 or len(repeats) != 1 or min(*places, *repeats) < 2:  # noqa: PLR2004
        raise ValueError(
            "expected at least two units, each measured at the same two places or more, as often at each"
        )
    if not all(math.isfinite(value) for row in readings for cell in row for value in cell):
        raise ValueError("a reading that is not finite; expected numbers")
    return places.pop(), repeats.pop()
