"""The samples of a soak in numbers: bands, drift, warming up, and the time in which anything was known.

Times in s since the soak began, temperatures in degC, differences in K. Values that are missing are NaN and
never filled in. Source of the steady-state criterion: CTL decision sheet 335 as quoted; the standard itself
was not read.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hilseq.analysis.uncertainty import expanded
from hilseq.analysis.waveform import as_waveform

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from hilseq.analysis.waveform import Samples

    Numbers = NDArray[np.float64]

HOUR = 3600.0


@dataclass(frozen=True, slots=True)
class SteadyCriterion:
    """Steady when the temperature stays within `change` (K) over every `window` (s).

    `strict` asks for less than `change` rather than at most. Readings are compared all with all inside the
    window, which is stricter than comparing its ends: a dip between them does not count as steady.
    """

    name: str
    change: float
    window: float
    strict: bool = False


IEC_61010_1 = SteadyCriterion("IEC 61010-1 (CTL 335): 2 K in 1 h", 2.0, HOUR)


def steady_from(times: Samples, temperatures: Samples, criterion: SteadyCriterion) -> float | None:
    """Return the first time (s) at which the criterion is met over the window before it; None when never.

    A window reaches back to the last sample at or before its beginning, so that it is never short; there
    must be a full window of record. A gap between samples is bridged: cut the record there if anything could
    have happened in it. Raises ValueError as `power.as_waveform` does.
    """
    time_array, temperature_array = as_waveform(times, temperatures)
    moments = time_array.tolist()
    highs: deque[tuple[float, float]] = deque()  # falling temperatures: the first is the window's highest
    lows: deque[tuple[float, float]] = deque()
    start = 0
    for index, (now, temperature) in enumerate(zip(moments, temperature_array.tolist(), strict=True)):
        while highs and highs[-1][1] <= temperature:
            highs.pop()
        while lows and lows[-1][1] >= temperature:
            lows.pop()
        highs.append((now, temperature))
        lows.append((now, temperature))
        begin = now - criterion.window
        while start < index and moments[start + 1] <= begin:
            start += 1
        while highs[0][0] < moments[start]:
            highs.popleft()
        while lows[0][0] < moments[start]:
            lows.popleft()
        spread = highs[0][1] - lows[0][1]
        within = spread < criterion.change if criterion.strict else spread <= criterion.change
        if within and moments[start] <= begin:
            return float(now)
    return None


@dataclass(frozen=True, slots=True)
class FirstOrderFit:
    """T(t) = final + (initial - final) exp(-(t - begin) / time_constant), fitted to a record.

    Temperatures in degC, times in s. Uncertainties are standard uncertainties from the scatter about the
    curve, right for independent errors; `residual_deviation` (K) is that scatter, with
    `degrees_of_freedom` n - 3. When `time_constant_uncertainty` is no small part of `time_constant`, the
    record holds no rise worth a fit.
    """

    begin: float
    initial: float
    final: float
    time_constant: float
    final_uncertainty: float
    time_constant_uncertainty: float
    residual_deviation: float
    degrees_of_freedom: int

    def at(self, time: float) -> float:
        """Return the temperature in degC of the curve at `time` in s."""
        return self.final + (self.initial - self.final) * math.exp(-(time - self.begin) / self.time_constant)


#: Time constants tried first: from half a sample to this many records long, so many per decade.
_LONGEST, _PER_DECADE = 10.0, 8
#: Relative width at which the search for the time constant ends: below it the sum of squares is flat.
_TAU_WIDTH = 1e-9


def fit_first_order(times: Samples, temperatures: Samples) -> FirstOrderFit:
    """Return the least squares fit of a first-order rise or fall (begin, final value, time constant).

    For each time constant the best ends follow in closed form (variable projection, Golub and Pereyra 1973),
    which leaves a search in one dimension that needs no starting guess; three days of one-second samples
    take under a second, undecimated. Raises ValueError for fewer than 4 samples, a constant record, one
    too short or too coarse to hold its time constant, and as `power.as_waveform` does.
    """
    import numpy as np

    time, temperature = as_waveform(times, temperatures)
    begin, count = float(time[0]), int(time.size)
    if count <= 3:  # noqa: PLR2004 (three parameters)
        raise ValueError(f"{count} samples; expected at least 4 for a fit of three parameters")
    if float(np.ptp(temperature)) == 0.0:
        raise ValueError(f"a constant record at {temperature[0]:g} degC; expected a rise or a fall")
    since = time - begin
    mean = float(temperature.mean())
    centred = temperature - mean
    span = float(since[-1])
    tau = _best_time_constant(since, centred, 0.5 * span / (count - 1), _LONGEST * span)
    shape, amplitude, residuals = _project(since, centred, tau)
    final = mean - amplitude * (1.0 + float(shape.mean()))  # shape is exp(-t/tau) - 1
    slopes = np.stack([np.ones(count), 1.0 + shape, amplitude * since / tau * (1.0 + shape)])
    spread = np.linalg.pinv(slopes @ slopes.T).diagonal()
    variance = float(residuals @ residuals) / (count - 3)
    return FirstOrderFit(
        begin=begin,
        initial=final + amplitude,
        final=final,
        time_constant=tau,
        final_uncertainty=math.sqrt(variance * float(spread[0])),
        time_constant_uncertainty=tau * math.sqrt(variance * float(spread[2])),
        residual_deviation=math.sqrt(variance),
        degrees_of_freedom=count - 3,
    )


def _project(
    since: NDArray[np.float64], centred: NDArray[np.float64], tau: float
) -> tuple[NDArray[np.float64], float, NDArray[np.float64]]:
    """Return exp(-t/tau) - 1, its best amplitude, and the residuals it leaves."""
    import numpy as np

    shape = np.expm1(-since / tau)
    about = shape - shape.mean()
    amplitude = float(about @ centred) / float(about @ about)
    return shape, amplitude, centred - amplitude * about


def _best_time_constant(
    since: NDArray[np.float64], centred: NDArray[np.float64], shortest: float, longest: float
) -> float:
    """Return the time constant of least squares: best of a grid, then a bounded search about it."""
    from scipy.optimize import minimize_scalar

    def squares(log_tau: float) -> float:
        residuals = _project(since, centred, math.exp(log_tau))[2]
        return float(residuals @ residuals)

    low, high = math.log(shortest), math.log(longest)
    steps = math.ceil((high - low) / math.log(10.0) * _PER_DECADE)
    grid = [low + (high - low) * step / steps for step in range(steps + 1)]
    found = [squares(log_tau) for log_tau in grid]
    best = found.index(min(found))
    if best in (0, steps):
        raise ValueError(
            f"no time constant between {shortest:.3g} s and {longest:.3g} s fits; "
            "expected a record longer than the rise, with samples in it"
        )
    ends = (grid[best - 1], grid[best + 1])
    return math.exp(
        float(minimize_scalar(squares, bounds=ends, method="bounded", options={"xatol": _TAU_WIDTH}).x)
    )


MINUTE, DAY = 60.0, 86400.0
#: Fewer minutes tell nothing of a drift beside a daily cycle.
_LEAST_MINUTES = 12
#: Autocorrelation of neighbours from which on a record is as good as one value.
_MOST_ALIKE = 0.9999
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

    The uncertainty allows for neighbouring minutes being alike, and for a daily cycle beside the drift (`trend`).
    """

    per_day: float
    uncertainty: float
    degrees_of_freedom: float

    @property
    def certain(self) -> bool:
        """Whether the drift is larger than its expanded uncertainty (Student's factor of the independent minutes)."""
        return abs(self.per_day) > expanded(self.uncertainty, self.degrees_of_freedom)


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
    """Return the drift of a record, fitted to its minute means; None when it is too short.

    A daily cycle, and what repeats twice a day, is fitted beside the drift: a record shorter than some days can hardly
    tell the two apart, and then says so by its uncertainty.
    """
    import numpy as np

    minutes, means = by_minute(times, values)
    if minutes.size < _LEAST_MINUTES:
        return None
    days = (minutes - minutes.mean()) / DAY
    cycles = [wave(2.0 * math.pi * number * days) for number in (1, 2) for wave in (np.sin, np.cos)]
    slope, slope_sd, residuals = slope_of([np.ones_like(days), days, *cycles], means)
    count, spent = float(minutes.size), 2.0 + len(cycles)
    together = _alike(residuals, spent)
    grown = together * (count - spent) / max(1.0, count - spent * together)
    return Trend(slope, slope_sd * math.sqrt(grown), max(1.0, count / together - spent))


def slope_of(terms: Sequence[Numbers], y: Numbers) -> tuple[float, float, Numbers]:
    """Return the coefficient of the second term in a least squares fit, its standard deviation, and the residuals.

    More values than terms; independent, they scatter by that deviation.
    """
    import numpy as np

    about = y.mean()
    across, down = np.linalg.qr(np.column_stack(terms))
    inverse = np.linalg.inv(down)
    fitted = inverse @ (across.T @ (y - about))
    residuals = y - about - np.column_stack(terms) @ fitted
    variance = float(residuals @ residuals) / (y.size - len(terms))
    return float(fitted[1]), math.sqrt(variance * float(inverse[1] @ inverse[1])), residuals


def _alike(residuals: Numbers, spent: float) -> float:
    """Return how many neighbours together are worth one independent value, in a fit that has spent so many terms.

    The larger of two: (1 + r) / (1 - r) of a first-order series, with the lag-1 autocorrelation r raised by what the
    fit takes from it, (2 + 2 p r) / n (common practice, no source; level confirmed by simulation), and 1 + 2 times the
    sum of the autocorrelations up to where pairs of them are no longer positive (Geyer 1992, from memory).
    """
    import numpy as np

    count = residuals.size
    first = max(lag_1(residuals), 0.0)
    if first > 0.0:
        first = min(first + (2.0 + 2.0 * spent * first) / count, _MOST_ALIKE)
    spectrum = np.fft.rfft(residuals - residuals.mean(), 2 * count)
    sums = np.fft.irfft(spectrum * np.conj(spectrum))[:count]
    if sums[0] <= 0.0:
        return 1.0
    half = (count - 1) // 2
    pairs = (sums[1 : 2 * half : 2] + sums[2 : 2 * half + 1 : 2]) / sums[0]
    ends = np.flatnonzero(pairs <= 0.0)
    beyond = float(pairs[: int(ends[0]) if ends.size else half].sum())
    return max(1.0, (1.0 + first) / (1.0 - first), 1.0 + 2.0 * beyond)


def lag_1(values: Numbers) -> float:
    """Return the lag-1 autocorrelation of a series as NIST StRD defines it; 0 for a constant one."""
    about = values - values.mean()
    square = float(about @ about)
    return float(about[:-1] @ about[1:]) / square if square > 0.0 else 0.0


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
