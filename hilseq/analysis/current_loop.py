"""4-20 mA current loops: share of span, and what a current outside the span means.

Currents are in amperes, as everywhere in hilseq; a fraction of 0 is 4 mA and 1 is 20 mA.

Source: NAMUR NE 43 as quoted by process-instrumentation pages (3.8 to 20.5 mA measures, up to 3.6 and
from 21 mA signals a failure); the recommendation itself was not read.
"""

from __future__ import annotations

import math
from enum import StrEnum

ZERO = 4e-3
FULL = 20e-3
MEASURING_LOW = 3.8e-3
MEASURING_HIGH = 20.5e-3
FAILURE_LOW = 3.6e-3
FAILURE_HIGH = 21e-3
#: A failure signal counts once it has stood this long, in seconds (one source only, a forum post).
FAILURE_HOLD = 4.0


class LoopBand(StrEnum):
    """What a loop current says, after NE 43."""

    FAILURE_LOW = "failure low"  #: 3.6 mA or less: the sensor reports its failure, or the wire is open
    UNDER_RANGE = "under-range"  #: between failure and measurement: saturated or drifting, no information
    MEASURING = "measuring"  #: 3.8 to 20.5 mA: the current is the measured value
    OVER_RANGE = "over-range"  #: between measurement and failure: saturated or drifting, no information
    FAILURE_HIGH = "failure high"  #: 21 mA or more: the sensor reports its failure, or a short


def _finite(name: str, value: float) -> float:
    if not math.isfinite(value):
        raise ValueError(f"{name} {value!r}; expected a finite number")
    return value


def to_fraction(current: float) -> float:
    """Return the share of span of a current in A: (I - 4 mA) / 16 mA, below 0 and above 1 outside it.

    Raises ValueError for NaN and infinities.
    """
    return (_finite("loop current in A", current) - ZERO) / (FULL - ZERO)


def to_current(fraction: float) -> float:
    """Return the current in A of a share of span. Raises ValueError for NaN and infinities."""
    return ZERO + (FULL - ZERO) * _finite("share of span", fraction)


def band(current: float) -> LoopBand:
    """Return the NE 43 band of a current in A. Raises ValueError for NaN and infinities."""
    _finite("loop current in A", current)
    if current <= FAILURE_LOW:
        return LoopBand.FAILURE_LOW
    if current < MEASURING_LOW:
        return LoopBand.UNDER_RANGE
    if current <= MEASURING_HIGH:
        return LoopBand.MEASURING
    return LoopBand.OVER_RANGE if current < FAILURE_HIGH else LoopBand.FAILURE_HIGH
