"""IEC 61131-2 input thresholds, supply tolerances and interruption classes."""

from __future__ import annotations

from hilseq.analysis.agreement import (
    BETWEEN_INTERRUPTIONS,
    INPUT_TYPES,
    LONGEST_INTERRUPTION,
    InterruptionClass,
)
from hilseq.analysis.limits import Limits


def test_thresholds_lie_between_the_states() -> None:
    """A type 1 input changes over between 5 and 15 V, types 2 and 3 between 5 and 11 V (3.4 to 3.6)."""
    assert {number: kind.threshold for number, kind in INPUT_TYPES.items()} == {
        1: Limits(5.0, 15.0),
        2: Limits(5.0, 11.0),
        3: Limits(5.0, 11.0),
    }


def test_input_currents() -> None:
    """2..15 mA for types 1 and 3, 6..30 mA for type 2 (3.4 to 3.6; 2 mA seen, the rest from memory)."""
    assert {number: kind.high_current for number, kind in INPUT_TYPES.items()} == {
        1: Limits(0.002, 0.015),
        2: Limits(0.006, 0.030),
        3: Limits(0.002, 0.015),
    }
    assert {number: kind.transition_current for number, kind in INPUT_TYPES.items()} == {
        1: 0.0005,
        2: 0.002,
        3: 0.0015,
    }


def test_interruption_classes() -> None:
    """PS1 rides through 1 ms, PS2 through 10 ms, at least 1 s apart (check 3.3, from memory)."""
    assert LONGEST_INTERRUPTION == {InterruptionClass.PS1: 0.001, InterruptionClass.PS2: 0.010}
    assert BETWEEN_INTERRUPTIONS == 1.0
