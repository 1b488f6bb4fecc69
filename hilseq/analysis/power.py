"""Energy in capacitors, hold-up, first-order response, and what a sampled current waveform holds.

SI units throughout: V, A, W, s, F, J, As. Formulas are elementary circuit theory: E = C V^2 / 2.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Samples: TypeAlias = Sequence[float] | NDArray[np.float64]


def _positive(name: str, value: float) -> float:
    if not (math.isfinite(value) and value > 0.0):
        raise ValueError(f"{name} {value!r}; expected a finite number above zero")
    return value


def _falling(start: float, end: float) -> None:
    if not (math.isfinite(start) and 0.0 <= end < start):
        raise ValueError(f"voltage from {start!r} to {end!r} V; expected it to fall, and not below zero")


def hold_up_time(capacitance: float, power: float, start: float, end: float) -> float:
    """Return for how many s a capacitor (F) feeds a constant power (W) while it falls from start to end (V).

    t = C (V1^2 - V2^2) / (2 P). Raises ValueError when a value is not above zero or the voltage rises.
    """
    _falling(start, end)
    energy = 0.5 * _positive("capacitance in F", capacitance) * (start**2 - end**2)
    return energy / _positive("power in W", power)


def hold_up_capacitance(power: float, time: float, start: float, end: float) -> float:
    """Return the capacitance in F that feeds a power (W) for a time (s) falling from start to end (V).

    C = 2 P t / (V1^2 - V2^2). Raises ValueError as `hold_up_time` does.
    """
    _falling(start, end)
    return 2.0 * _positive("power in W", power) * _positive("time in s", time) / (start**2 - end**2)


def usable_share(start: float, end: float) -> float:
    """Return the share of the stored energy given up while a capacitor falls from start to end (V)."""
    _falling(start, end)
    return 1.0 - (end / start) ** 2


def charge_time(capacitance: float, current: float, rise: float) -> float:
    """Return for how many s a constant current (A) charges a capacitance (F) by `rise` volts: t = C dV / I.

    Raises ValueError when a value is not above zero.
    """
    charge = _positive("capacitance in F", capacitance) * _positive("rise in V", rise)
    return charge / _positive("current in A", current)


def first_order_share(time: float, time_constant: float) -> float:
    """Return the share of a step that a first-order response has made after `time`: 1 - exp(-t / tau).

    Both in s; 0 before the step. Raises ValueError for a time that is NaN or a tau not above zero.
    """
    if math.isnan(time):
        raise ValueError(f"time {time!r} s; expected a number")
    return -math.expm1(-max(0.0, time) / _positive("time constant in s", time_constant))


def first_order_time(share: float, time_constant: float) -> float:
    """Return after how many s a first-order response has made `share` of its step: -tau ln(1 - share).

    Raises ValueError when the share is not in 0..1 (1 itself is never reached) or tau not above zero.
    """
    if not 0.0 <= share < 1.0:
        raise ValueError(f"share {share!r} of a step; expected 0 or more and less than 1")
    return -math.log1p(-share) * _positive("time constant in s", time_constant)


def rise_time(time_constant: float) -> float:
    """Return the 10 % to 90 % rise time of a first-order response: ln 9 tau. Same unit as tau."""
    return first_order_time(0.9, time_constant) - first_order_time(0.1, time_constant)


@dataclass(frozen=True, slots=True)
class Inrush:
    """What a unit draws when it is switched on.

    `peak` in A at `peak_time` in s; `charge` in As above the steady current; `square` in A^2 s, which is
    what fuses and contacts feel.
    """

    peak: float
    peak_time: float
    charge: float
    square: float


def inrush(times: Samples, currents: Samples, steady: float = 0.0) -> Inrush:
    """Return peak and charge of a sampled current; charge counts what lies above `steady` (A).

    The current is taken as straight between samples; what is below `steady` is subtracted, so that noise
    averages out. Raises ValueError as `as_waveform` does.
    """
    time, current = as_waveform(times, currents)
    index = int(current.argmax())
    before, after = current[:-1], current[1:]
    width = time[1:] - time[:-1]
    return Inrush(
        peak=float(current[index]),
        peak_time=float(time[index]),
        charge=float((width * (0.5 * (before + after) - steady)).sum()),
        square=float((width * (before**2 + before * after + after**2) / 3.0).sum()),
    )


def energy(times: Samples, voltages: Samples, currents: Samples) -> float:
    """Return the energy in J of sampled voltage and current, both straight between samples.

    The product of two straight lines is integrated exactly. Raises ValueError as `as_waveform` does.
    """
    time, volt = as_waveform(times, voltages)
    _, ampere = as_waveform(times, currents)
    width = time[1:] - time[:-1]
    v0, v1, i0, i1 = volt[:-1], volt[1:], ampere[:-1], ampere[1:]
    return float((width * (2.0 * v0 * i0 + v0 * i1 + v1 * i0 + 2.0 * v1 * i1) / 6.0).sum())


def as_waveform(times: Samples, values: Samples) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return times and values as arrays, checked.

    Raises ValueError for fewer than 2 samples, unequal lengths, times that do not rise, or values not finite.
    """
    import numpy as np

    time, value = np.asarray(times, dtype=np.float64), np.asarray(values, dtype=np.float64)
    if time.ndim != 1 or time.shape != value.shape or time.size <= 1:
        raise ValueError(f"{value.size} samples at {time.size} times; expected 2 or more, one at each time")
    if not (np.isfinite(time).all() and np.isfinite(value).all()):
        raise ValueError("a waveform holds NaN or infinity; expected finite numbers (cut the gaps out first)")
    steps = np.diff(time)
    if not (steps > 0.0).all():
        at = int(np.argmax(steps <= 0.0))
        raise ValueError(f"time {time[at + 1]:g} s after {time[at]:g} s; expected rising times")
    return time, value
