"""Arithmetic on measured values: the number, the unit and the uncertainty stay together."""

from __future__ import annotations

import math
import operator
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilseq.analysis.uncertainty import Term
from hilseq.measured import Measured, hardest

VALUES = st.floats(-1e6, 1e6)
KNOWN = st.floats(0, 1e3)


def test_a_difference_is_taken_in_base_units() -> None:
    """24 V minus 23500 mV is 0.5 V, known as both instruments together."""
    found = Measured(24.0, "V", 0.003) - Measured(23500.0, "mV", 4.0)
    assert found.value == pytest.approx(0.5)
    assert found.unit == "V"
    assert found.standard_uncertainty == pytest.approx(0.005)


def test_degrees_of_freedom_follow_welch_and_satterthwaite() -> None:
    """JCGM 100:2008, H.1.6: the four components of the end gauge have 16.7 together (from memory)."""
    parts = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)]
    total = Measured(0.0, "uV")
    for uncertainty, degrees in parts:
        total += Measured(0.0, "uV", uncertainty, degrees)
    combined = 31.7e-6
    assert total.standard_uncertainty == pytest.approx(combined, rel=2e-3)
    assert total.degrees_of_freedom == pytest.approx(16.7, rel=2e-2)


@given(one=VALUES, other=VALUES, u=KNOWN, v=KNOWN)
def test_a_sum_is_known_as_its_parts_together(one: float, other: float, u: float, v: float) -> None:
    """Values add, independent uncertainties add in quadrature, whichever way round (GUM 5.1.2)."""
    first, second = Measured(one, "mV", u), Measured(other, "V", v)
    assert first + second == second + first
    assert (first + second).value == pytest.approx(one / 1e3 + other)
    assert (first - second).standard_uncertainty == pytest.approx(math.hypot(u / 1e3, v))
    assert (-(first - second)).value == (second - first).value


@given(value=VALUES, u=KNOWN, factor=st.floats(-1e3, 1e3).filter(lambda x: abs(x) > 1e-6))
def test_scaling_scales_the_uncertainty(value: float, u: float, factor: float) -> None:
    """A plain number multiplies value and uncertainty, and keeps the unit."""
    scaled = factor * Measured(value, "mA", u, 7.0)
    assert scaled == Measured(value * factor, "mA", u * abs(factor), 7.0)
    back = scaled / factor
    assert back.value == pytest.approx(value)
    assert back.standard_uncertainty == pytest.approx(u)


def test_temperatures_are_no_amounts() -> None:
    """Two temperatures have a difference, in kelvins; a difference moves a temperature."""
    assert Measured(55.0, "degC", 0.3) - Measured(25.0, "degC", 0.4) == Measured(30.0, "K", 0.5)
    assert Measured(25.0, "degC") + Measured(5.0, "K") == Measured(30.0, "degC")
    assert Measured(5.0, "K") + Measured(25.0, "degC") == Measured(30.0, "degC")
    assert 2 * Measured(5.0, "K") == Measured(10.0, "K")


@pytest.mark.parametrize(
    ("action", "one", "other", "words"),
    [
        (operator.add, Measured(1.0, "V"), Measured(2.0, "A"), "2 A cannot be added to 1 V"),
        (operator.sub, Measured(1.0, "V"), Measured(2.0, "A"), "2 A cannot be subtracted from 1 V"),
        (operator.add, Measured(1.0, "degC"), Measured(2.0, "degC"), "2 degC cannot be added to 1 degC"),
        (operator.sub, Measured(1.0, "K"), Measured(2.0, "degC"), "2 degC cannot be subtracted from 1 K"),
        (operator.mul, Measured(20.0, "degC"), 2.0, "20 degC is a temperature"),
        (operator.add, Measured(1.0, "furlong"), Measured(1.0, "V"), "'furlong' is not one of the units"),
    ],
)
def test_units_that_do_not_fit_are_refused(action: object, one: Measured, other: object, words: str) -> None:
    """Volts and amperes have no sum."""
    with pytest.raises(ValueError, match=words):
        action(one, other)  # type: ignore[operator]


def test_a_plain_number_has_no_unit_to_add() -> None:
    """What is no measured value is refused by Python itself."""
    with pytest.raises(TypeError):
        Measured(1.0, "V") + 1.0  # type: ignore[operator]


def test_ten_resistors_calibrated_with_one_standard() -> None:
    """JCGM 100:2008, 5.2.2, example: ten of 1000 Ohm, u = 0.1 Ohm of one standard, in series: u = 1 Ohm, not 0.32 Ohm.

    From memory; the linear sum of correlated inputs.
    """
    one = Measured.of(1000.0, "Ohm", Term("calibration", 0.1, shared="standard"))
    total = one
    for _ in range(9):
        total += one
    assert total.value == 10_000.0
    assert total.standard_uncertainty == pytest.approx(1.0)
    alone = Measured.of(1000.0, "Ohm", Term("calibration", 0.1))
    assert sum((alone for _ in range(9)), alone).standard_uncertainty == pytest.approx(0.1 * math.sqrt(10.0))


def test_the_reading_that_may_be_largest_is_the_hardest() -> None:
    """30 ms known to 2 ms says less against 50 ms than 28 ms known to 40; one that is surely beyond comes first."""
    known, unknown = Measured(0.030, "s", 0.001), Measured(0.028, "s", 0.020)
    assert hardest([known, unknown], 0.050) is unknown
    surely = Measured(0.055, "s", 0.001)
    assert hardest([known, surely, unknown], 0.050) is surely


@pytest.mark.parametrize(("correlation", "expected"), [(0.0, 5.0), (0.5, math.sqrt(13.0)), (1.0, 1.0)])
def test_a_difference_cancels_what_is_known_to_be_the_same(correlation: float, expected: float) -> None:
    """u^2 = u1^2 + u2^2 - 2 r u1 u2 (JCGM 100:2008, 5.2.2, equation 16); what is not stated cancels nothing."""
    one, two = (
        Measured.of(value, "V", Term("calibration", u, shared="v01", correlation=correlation))
        for value, u in ((24.0, 4.0), (20.0, 3.0))
    )
    for difference in (one - two, -two + one, one + -1.0 * two, two - one):
        assert difference.standard_uncertainty == pytest.approx(expected)
    assert (one - -two).standard_uncertainty == pytest.approx(7.0)
    # What two terms are together is called after the larger.
    even = replace(two, terms=(replace(two.terms[0], distribution="rectangular"),))
    assert [term.distribution for term in (even - one).budget] == ["normal"]
    # Of two that are known so far and so far to be the same, no more cancels than both are.
    better = replace(two, terms=(replace(two.terms[0], correlation=1.0),))
    assert (one - better).standard_uncertainty == pytest.approx(expected)
    other = Measured.of(20.0, "V", Term("calibration", 3.0, shared="v02", correlation=correlation))
    assert (one - other).standard_uncertainty == pytest.approx(5.0)
