"""24 V digital inputs and supplies after IEC 61131-2: thresholds, tolerances, interruptions.

Voltages in V, currents in A, times in s. The standard itself was not read. Supply limits and the voltages
of types 1 and 3 were seen in data sheets and manuals declaring them; type 2, the largest currents, the
transition currents and the interruption classes are from memory of the 2003/2007 editions.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from hilseq.analysis.limits import Limits


@dataclass(frozen=True, slots=True)
class InputType:
    """One input type of the standard, for 24 V d.c. current-sinking inputs.

    An input must read low inside `low_voltage` and high inside `high_voltage`, where it draws
    `high_current`. `transition_current` is what it draws at least before it may leave low: a leaking sensor
    with less cannot switch it.
    """

    number: int
    low_voltage: Limits
    high_voltage: Limits
    high_current: Limits
    transition_current: float

    @property
    def threshold(self) -> Limits:
        """Range in V in which the input must change over, rising or falling."""
        return Limits(self.low_voltage.high, self.high_voltage.low)


#: Input type number -> thresholds at 24 V.
INPUT_TYPES: Mapping[int, InputType] = MappingProxyType(
    {
        1: InputType(1, Limits(-3.0, 5.0), Limits(15.0, 30.0), Limits(2e-3, 15e-3), 0.5e-3),
        2: InputType(2, Limits(-3.0, 5.0), Limits(11.0, 30.0), Limits(6e-3, 30e-3), 2.0e-3),
        3: InputType(3, Limits(-3.0, 5.0), Limits(11.0, 30.0), Limits(2e-3, 15e-3), 1.5e-3),
    }
)


def threshold_limits(number: int, rated: float = 24.0) -> Limits:
    """Return the range in V in which an input of this type must change over, scaled to another rated supply.

    The table is for 24 V; that others scale with it is from memory, as the table itself.
    """
    _positive(rated)
    scale = rated / 24.0
    limits = INPUT_TYPES[number].threshold
    return Limits(*(None if end is None else end * scale for end in (limits.low, limits.high)))


class InterruptionClass(StrEnum):
    """How short an interruption of the d.c. supply a unit must ride through."""

    PS1 = "PS1"
    PS2 = "PS2"


#: Class -> longest interruption to be ridden through, in s (d.c. supplies; from memory).
LONGEST_INTERRUPTION: Mapping[InterruptionClass, float] = MappingProxyType(
    {InterruptionClass.PS1: 1e-3, InterruptionClass.PS2: 10e-3}
)
#: Least time between two interruptions of the test, in s (from memory).
BETWEEN_INTERRUPTIONS = 1.0

_LOWEST, _HIGHEST, _RIPPLE = 0.85, 1.20, 0.05


def _positive(rated: float) -> None:
    if not (math.isfinite(rated) and rated > 0.0):
        raise ValueError(f"rated supply {rated!r} V; expected a finite number above zero")
