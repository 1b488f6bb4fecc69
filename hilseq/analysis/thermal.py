"""When is a soak warm: steady-state criteria, the fit of a first-order rise, Arrhenius acceleration.

Times in s, temperatures in degC, differences in K, unless a name says otherwise.

Sources: the criteria as quoted on the IEEE emc-pstc list (12 Jan 2012, 6 Jan 2017) and in CTL decision sheet
335; the standards themselves were not read. Arrhenius: jedec.org dictionary, EIAJ ED-4701 as quoted by a
semiconductor maker.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hilseq.analysis.power import as_waveform

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from hilseq.analysis.power import Samples

HOUR = 3600.0
#: Boltzmann constant in eV/K (SI 2019, exact value rounded).
BOLTZMANN = 8.617333262e-5
_ABSOLUTE_ZERO = -273.15


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


IEC_60034_1 = SteadyCriterion("IEC 60034-1: 2 K in 1 h", 2.0, HOUR)
IEC_62135_1 = SteadyCriterion("IEC 62135-1: 2 K in 1 h", 2.0, HOUR)
IEC_61010_1 = SteadyCriterion("IEC 61010-1 (CTL 335): 2 K in 1 h", 2.0, HOUR)
IEC_60598 = SteadyCriterion("IEC 60598: 1 K in 1 h", 1.0, HOUR)
BS_1363_1 = SteadyCriterion("BS 1363-1: less than 1 K in 1 h", 1.0, HOUR, strict=True)
#: Three readings 5 min apart, any two of them less than 1 K apart.
IEC_61810_7 = SteadyCriterion("IEC 61810-7: less than 1 K in 10 min", 1.0, 600.0, strict=True)
IEC_62282_2 = SteadyCriterion("IEC 62282-2: 3 K in 15 min", 3.0, 900.0)
IEC_62368_1 = SteadyCriterion("IEC 62368-1 B.1.6: 3 K in 30 min", 3.0, 1800.0)
#: Only where the temperature is at least 10 % below its limit.
IEC_62368_1_FAR_FROM_LIMIT = SteadyCriterion("IEC 62368-1 B.1.6: 1 K in 5 min", 1.0, 300.0)


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
_GOLDEN = 0.5 * (math.sqrt(5.0) - 1.0)
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
    """Return the time constant of least squares: best of a grid, then golden section about it."""

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
    left, right = grid[best - 1], grid[best + 1]
    inner, outer = right - _GOLDEN * (right - left), left + _GOLDEN * (right - left)
    at_inner, at_outer = squares(inner), squares(outer)
    while right - left > _TAU_WIDTH:
        if at_inner < at_outer:
            right, outer, at_outer = outer, inner, at_inner
            inner = right - _GOLDEN * (right - left)
            at_inner = squares(inner)
        else:
            left, inner, at_inner = inner, outer, at_outer
            outer = left + _GOLDEN * (right - left)
            at_outer = squares(outer)
    return math.exp(0.5 * (left + right))


def time_to_rate(rise: float, time_constant: float, rate: float) -> float:
    """Return after how long a first-order rise (K) is slower than `rate`, in the unit of the time constant.

    t = tau ln(rise / (tau rate)), 0 when it is slow from the beginning; what is then still missing is
    tau rate kelvin. `rate` is in K per unit of the time constant. Raises ValueError when a value is not
    above zero.
    """
    for name, value in (("rise", rise), ("time constant", time_constant), ("rate", rate)):
        if not (math.isfinite(value) and value > 0.0):
            raise ValueError(f"{name} {value!r}; expected a finite number above zero")
    return max(0.0, time_constant * math.log(rise / (time_constant * rate)))


def arrhenius_acceleration(activation_energy: float, use: float, stress: float) -> float:
    """Return by how much ageing at `stress` is faster than at `use` (both degC): exp(Ea/k (1/T1 - 1/T2)).

    `activation_energy` in eV. Raises ValueError below absolute zero or for a negative energy.
    """
    if not (math.isfinite(activation_energy) and activation_energy >= 0.0):
        raise ValueError(f"activation energy {activation_energy!r} eV; expected zero or more")
    for temperature in (use, stress):
        if not (math.isfinite(temperature) and temperature > _ABSOLUTE_ZERO):
            raise ValueError(f"temperature {temperature!r} degC; expected more than {_ABSOLUTE_ZERO} degC")
    inverse = 1.0 / (use - _ABSOLUTE_ZERO) - 1.0 / (stress - _ABSOLUTE_ZERO)
    return math.exp(activation_energy / BOLTZMANN * inverse)
