"""The samples of a soak in numbers: bands, drift, warming up, and the time in which anything was known.

Times in s since the soak began, temperatures in degC. Values that are missing are NaN and never filled in.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hilseq.analysis.drift import Drift
from hilseq.analysis.running import Running
from hilseq.analysis.thermal import (
    IEC_61010_1,
    FirstOrderFit,
    SteadyCriterion,
    fit_first_order,
    steady_from,
)

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Numbers = NDArray[np.float64]

MINUTE, DAY = 60.0, 86400.0
#: A rise smaller than this (K), or a time constant less certain than this share, is no rise worth a fit.
_LEAST_RISE, _MOST_DOUBT = 1.0, 0.1
#: Samples further apart than this many periods have a gap between them.
_GAP = 1.5


@dataclass(frozen=True, slots=True)
class Band:
    """Least, mean and greatest of a quantity, in its unit."""

    low: float
    mean: float
    high: float


@dataclass(frozen=True, slots=True)
class Trend:
    """Drift per day with its standard uncertainty, both in the unit of the quantity.

    The uncertainty allows for neighbouring minutes being alike (lag-1 autocorrelation r: n (1-r)/(1+r)
    independent ones, the usual first-order correction, from memory).
    """

    per_day: float
    uncertainty: float

    @property
    def certain(self) -> bool:
        """Whether the drift is larger than twice its uncertainty."""
        return abs(self.per_day) > 2.0 * self.uncertainty


@dataclass(frozen=True, slots=True)
class WarmUp:
    """How the case warmed: the fit, or None where there was no rise worth one; when it was steady, s."""

    fit: FirstOrderFit | None
    steady: float | None
    criterion: SteadyCriterion


def band(values: Numbers) -> Band | None:
    """Return the band of the values that are there; None when there are none."""
    import numpy as np

    known = values[np.isfinite(values)].astype(np.float64)
    if known.size == 0:
        return None
    return Band(float(known.min()), float(known.mean()), float(known.max()))


def by_minute(times: Numbers, values: Numbers) -> tuple[Numbers, Numbers]:
    """Return mean time and mean value of every minute that holds a value."""
    import numpy as np

    known = np.isfinite(values)
    if not known.any():
        return np.empty(0), np.empty(0)
    minutes = np.floor(times[known] / MINUTE).astype(np.int64)
    minutes -= minutes.min()
    count = np.bincount(minutes)
    held = count > 0
    mean_time = np.bincount(minutes, weights=times[known])[held] / count[held]
    mean_value = np.bincount(minutes, weights=values[known].astype(np.float64))[held] / count[held]
    return mean_time, mean_value


def first_stretch(times: Numbers, period: float) -> int:
    """Return how many samples come before the first gap in which a case could have cooled: of a minute or more."""
    import numpy as np

    breaks = np.flatnonzero(np.diff(times) > max(_GAP * period, MINUTE))
    return int(breaks[0]) + 1 if breaks.size else int(times.size)


def gaps(times: Numbers, period: float) -> list[tuple[float, float]]:
    """Return the stretches without samples, from the sample before to the sample after each."""
    import numpy as np

    breaks = np.flatnonzero(np.diff(times) > _GAP * period)
    return [(float(times[index]), float(times[index + 1])) for index in breaks]


def running_time(times: Numbers, period: float) -> float:
    """Return the time in which samples were taken, s: a period for each, however many are missing."""
    return float(times.size) * period


def time_above(values: Numbers, level: float, period: float) -> float:
    """Return the time spent above a level, s."""
    import numpy as np

    return float(np.count_nonzero(values > level)) * period


def time_after(times: Numbers, starts: Sequence[float], near: float, period: float) -> float:
    """Return the time in which samples were taken within `near` seconds after one of the starts, s."""
    import numpy as np

    ordered = np.sort(np.asarray(starts, dtype=np.float64))
    latest = np.searchsorted(ordered, times, side="right") - 1
    close = (latest >= 0) & (times - ordered[np.maximum(latest, 0)] <= near)
    return float(np.count_nonzero(close)) * period


def trend(times: Numbers, values: Numbers) -> Trend | None:
    """Return the drift of a record, fitted to its minute means; None when it is too short."""
    minutes, means = by_minute(times, values)
    if minutes.size < 3:  # noqa: PLR2004 - two points leave nothing to judge the line by
        return None
    line = Drift(zip(minutes.tolist(), means.tolist(), strict=True)).line()
    residuals = Running((means - (line.intercept + line.slope * minutes)).tolist())
    alike = min(max(residuals.lag_1, 0.0), 0.999)
    return Trend(line.slope * DAY, line.slope_sd * math.sqrt((1.0 + alike) / (1.0 - alike)) * DAY)


def warm_up(times: Numbers, case: Numbers, period: float, criterion: SteadyCriterion = IEC_61010_1) -> WarmUp:
    """Return how the case warmed, from the first stretch without a gap: after one it is another rise."""
    stretch = first_stretch(times, period)
    minutes, means = by_minute(times[:stretch], case[:stretch])
    fit: FirstOrderFit | None = None
    steady: float | None = None
    if minutes.size >= 4:  # noqa: PLR2004 - three parameters
        try:
            fit = fit_first_order(minutes, means)
        except ValueError:
            fit = None
        steady = steady_from(minutes, means, criterion)
    if fit is not None and (
        abs(fit.final - fit.initial) < _LEAST_RISE
        or fit.time_constant_uncertainty > _MOST_DOUBT * fit.time_constant
    ):
        fit = None
    return WarmUp(fit, steady, criterion)
