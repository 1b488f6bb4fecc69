"""4-20 mA loops and the bands of NAMUR NE 43."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilseq.analysis.current_loop import LoopBand, band, to_current, to_fraction


@pytest.mark.parametrize(
    ("milliamperes", "percent"),
    [(3.6, -2.5), (3.8, -1.25), (4, 0), (12, 50), (20, 100), (20.5, 103.125), (21, 106.25)],
)
def test_percent_of_span(milliamperes: float, percent: float) -> None:
    """(I - 4) / 16 both ways (check 3.14, recomputed)."""
    assert 100.0 * to_fraction(milliamperes * 1e-3) == pytest.approx(percent, abs=1e-9)
    assert to_current(percent / 100.0) == pytest.approx(milliamperes * 1e-3, rel=1e-12)


@pytest.mark.parametrize(
    ("current", "expected"),
    [
        (0.0, LoopBand.FAILURE_LOW),
        (3.6e-3, LoopBand.FAILURE_LOW),
        (3.61e-3, LoopBand.UNDER_RANGE),
        (3.79e-3, LoopBand.UNDER_RANGE),
        (3.8e-3, LoopBand.MEASURING),
        (12e-3, LoopBand.MEASURING),
        (20.5e-3, LoopBand.MEASURING),
        (20.51e-3, LoopBand.OVER_RANGE),
        (20.99e-3, LoopBand.OVER_RANGE),
        (21e-3, LoopBand.FAILURE_HIGH),
        (25e-3, LoopBand.FAILURE_HIGH),
        (-1e-3, LoopBand.FAILURE_LOW),
    ],
)
def test_namur_bands(current: float, expected: LoopBand) -> None:
    """Measuring 3.8..20.5 mA, failure up to 3.6 and from 21 mA (check 3.11, secondary sources on NE 43)."""
    assert band(current) is expected


@given(st.floats(-1.0, 1.0))
def test_current_and_fraction_are_inverse(current: float) -> None:
    """Converting there and back changes nothing but rounding."""
    assert to_current(to_fraction(current)) == pytest.approx(current, abs=1e-15)


@given(st.floats(0.0, 0.03), st.floats(0.0, 0.03))
def test_bands_follow_the_current(one: float, other: float) -> None:
    """More current never falls back into a lower band."""
    order = list(LoopBand)
    low, high = sorted((one, other))
    assert order.index(band(low)) <= order.index(band(high))


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_no_number_has_no_band(value: float) -> None:
    """NaN and infinities are refused rather than put into a band."""
    with pytest.raises(ValueError, match="loop current in A"):
        band(value)
    with pytest.raises(ValueError, match="loop current in A"):
        to_fraction(value)
    with pytest.raises(ValueError, match="share of span"):
        to_current(value)
