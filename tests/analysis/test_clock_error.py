"""Clock error against clocks that are read in steps."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilseq.analysis.clock_error import clock_error, span_needed


def test_a_clock_read_in_seconds_by_hand() -> None:
    """20 ppm over 72 h is 5.184 s; whole seconds leave q/(sqrt(6) T) = 1.57 ppm."""
    error = clock_error((0.0, 100.0), (259_200.0, 259_305.184), clock_step=1.0)
    assert error.ppm == pytest.approx(20.0)
    assert error.uncertainty_ppm == pytest.approx(1e6 / (math.sqrt(6.0) * 259_200.0))
    assert error.span == 259_200.0


@given(st.floats(-100.0, 100.0), st.floats(0.0, 1.0, exclude_max=True))
def test_the_truth_lies_within_three_uncertainties(ppm: float, phase: float) -> None:
    """Read in whole seconds, at whatever phase, the error stays within 3 u."""
    span = 86_400.0
    shown = [float(math.floor(phase + at * (1.0 + ppm * 1e-6))) for at in (0.0, span)]
    error = clock_error((0.0, shown[0]), (span, shown[1]), clock_step=1.0)
    assert abs(error.ppm - ppm) <= 3.0 * error.uncertainty_ppm


def test_the_span_needed_is_the_reverse() -> None:
    """Watching for the span asked for gives the uncertainty asked for."""
    span = span_needed(2.0, clock_step=1.0, reference_step=0.5)
    error = clock_error((0.0, 0.0), (span, span), clock_step=1.0, reference_step=0.5)
    assert error.uncertainty_ppm == pytest.approx(2.0)


def test_what_cannot_be_is_refused() -> None:
    """Equal times, no numbers and negative steps are errors."""
    with pytest.raises(ValueError, match="expected a later second time"):
        clock_error((5.0, 1.0), (5.0, 2.0), clock_step=1.0)
    with pytest.raises(ValueError, match="expected a later second time"):
        clock_error((0.0, 0.0), (math.inf, 1.0), clock_step=1.0)
    with pytest.raises(ValueError, match=r"steps of -1\.0"):
        clock_error((0.0, 0.0), (1.0, 1.0), clock_step=-1.0)
    with pytest.raises(ValueError, match=r"0\.0 ppm"):
        span_needed(0.0, clock_step=1.0)
