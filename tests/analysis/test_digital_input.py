"""IEC 61131-2 input thresholds, supply tolerances and interruption classes."""

from __future__ import annotations

import math

import pytest

from hilseq.analysis.digital_input import (
    BETWEEN_INTERRUPTIONS,
    INPUT_TYPES,
    LONGEST_INTERRUPTION,
    InputState,
    InterruptionClass,
    supply_limits,
    supply_limits_with_ripple,
)
from hilseq.analysis.limits import Limits

LOW, UNDEFINED, HIGH = InputState.LOW, InputState.UNDEFINED, InputState.HIGH


@pytest.mark.parametrize(
    ("number", "voltage", "expected"),
    [
        # Check 3.4, type 1: -3..5 V and 15..30 V seen in data sheets declaring type 1.
        (1, -3.0, LOW),
        (1, 5.0, LOW),
        (1, 5.1, UNDEFINED),
        (1, 14.9, UNDEFINED),
        (1, 15.0, HIGH),
        (1, 30.0, HIGH),
        # Check 3.5, type 3: -3..5 V and 11..30 V seen in a data sheet declaring type 3.
        (3, 5.0, LOW),
        (3, 10.9, UNDEFINED),
        (3, 11.0, HIGH),
        # Check 3.6, type 2: from memory.
        (2, 5.0, LOW),
        (2, 10.9, UNDEFINED),
        (2, 11.0, HIGH),
        # Outside the ratings nothing is promised.
        (1, -3.1, UNDEFINED),
        (3, 30.1, UNDEFINED),
    ],
)
def test_states(number: int, voltage: float, expected: InputState) -> None:
    """Each type reads low and high where the standard demands it (checks 3.4 to 3.6)."""
    assert INPUT_TYPES[number].state(voltage) is expected


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


def test_supply_tolerance() -> None:
    """24 V -15 % +20 % is 20.4..28.8 V (check 3.1, supplier page on DIN EN 61131-2)."""
    limits = supply_limits()
    assert limits.low == pytest.approx(20.4)
    assert limits.high == pytest.approx(28.8)


def test_supply_tolerance_with_ripple() -> None:
    """With 5 % peak ripple the voltage reaches 19.2 and 30 V (check 3.2, module data sheets)."""
    limits = supply_limits_with_ripple()
    assert limits.low == pytest.approx(19.2)
    assert limits.high == pytest.approx(30.0)


def test_tolerances_scale_with_the_rating() -> None:
    """At 48 V every limit is double that at 24 V."""
    assert supply_limits(48.0).low == pytest.approx(40.8)
    assert supply_limits_with_ripple(48.0).high == pytest.approx(60.0)


def test_interruption_classes() -> None:
    """PS1 rides through 1 ms, PS2 through 10 ms, at least 1 s apart (check 3.3, from memory)."""
    assert LONGEST_INTERRUPTION == {InterruptionClass.PS1: 0.001, InterruptionClass.PS2: 0.010}
    assert BETWEEN_INTERRUPTIONS == 1.0


def test_no_number_is_no_voltage() -> None:
    """NaN, infinities and ratings not above zero are refused by name."""
    with pytest.raises(ValueError, match="input voltage nan V"):
        INPUT_TYPES[1].state(math.nan)
    with pytest.raises(ValueError, match=r"rated supply 0\.0 V; expected"):
        supply_limits(0.0)
    with pytest.raises(ValueError, match="rated supply inf V; expected"):
        supply_limits_with_ripple(math.inf)
