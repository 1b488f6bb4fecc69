"""Terminals that the stand senses twice: two witnesses that contradict each other prove a fault of the stand.

What one witness alone shows can be the unit as well as the channel or the wire; no stand can tell that.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import combinations

from hilseq.analysis.digital_input import INPUT_TYPES
from hilseq.description.registers import RegisterType
from hilseq.description.stand import Signal
from hilseq.errors import StandFault
from hilseq.instruments.signals import standard_uncertainty
from hilseq.quantities import SYMBOLS

#: A logic channel must take 15 V for on and 5 V for off (IEC 61131-2, type 1, at 24 V rated); in between it
#: may take either. Shares of the rated supply.
_RATED = 24.0
_SURELY_ON = (INPUT_TYPES[1].high_voltage.low or 15.0) / _RATED
_SURELY_OFF = (INPUT_TYPES[1].low_voltage.high or 5.0) / _RATED


def contradiction(
    terminal: str, sensing: Mapping[str, Signal], seen: Mapping[str, float], supply: float
) -> StandFault | None:
    """Return the fault that two readings of one terminal, taken together, prove; None when they agree.

    `supply` is the unit's rated supply in V. Its places are the channels, the one that shows nothing first.
    """
    for first, second in combinations(sensing, 2):
        if not _agree((first, sensing[first], seen[first]), (second, sensing[second], seen[second]), supply):
            silent, telling = sorted((first, second), key=lambda name: abs(seen[name]))
            return StandFault(
                f"terminal {terminal} is sensed twice and the two contradict each other: {telling} shows "
                f"{seen[telling]:.5g} {sensing[telling].unit}".rstrip()
                + f", {silent} shows {seen[silent]:.5g} {sensing[silent].unit}".rstrip()
                + "; one of the channels, or its wire, is broken",
                places=(silent, telling),
            )
    return None


def _agree(one: tuple[str, Signal, float], other: tuple[str, Signal, float], supply: float) -> bool:
    (_, first, a), (_, second, b) = one, other
    first_is_bit, second_is_bit = first.kind is RegisterType.BIT, second.kind is RegisterType.BIT
    if first_is_bit and second_is_bit:
        return a == b
    if first_is_bit or second_is_bit:
        bit, volts, signal = (a, b, second) if first_is_bit else (b, a, first)
        if SYMBOLS.get(signal.unit, ("", 1.0))[0] != "voltage":
            return True
        volts *= SYMBOLS[signal.unit][1]
        return volts < _SURELY_ON * supply if bit == 0 else volts > _SURELY_OFF * supply
    if first.unit != second.unit:
        return True
    limit = math.sqrt(3.0) * (standard_uncertainty(first, a) + standard_uncertainty(second, b))
    return abs(a - b) <= limit
