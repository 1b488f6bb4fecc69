"""What a sampled current waveform holds: peak, charge, and the square that fuses feel.

SI units throughout: A, s, C.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Samples: TypeAlias = Sequence[float] | NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Inrush:
    """What a unit draws when it is switched on.

    `peak` in A at `peak_time` in s; `charge` in C above the steady current; `square` in A^2 s, which is
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
