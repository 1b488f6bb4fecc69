"""Linear drift against NIST StRD Norris, and clock error against clocks that are read in steps."""

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilseq.analysis.drift import Drift, clock_error, span_needed

# NIST StRD Norris, 36 pairs "y x", from the file shipped inside the SciPy wheel (check-values 5.22).
NORRIS = (
    "0.1 0.2; 338.8 337.4; 118.1 118.2; 888.0 884.6; 9.2 10.1; 228.1 226.5; 668.5 666.3; 998.5 996.3; "
    "449.1 448.6; 778.9 777.0; 559.2 558.2; 0.3 0.4; 0.1 0.6; 778.1 775.5; 668.8 666.9; 339.3 338.0; "
    "448.9 447.5; 10.8 11.6; 557.7 556.0; 228.3 228.1; 998.0 995.8; 888.8 887.6; 119.6 120.2; 0.3 0.3; "
    "0.6 0.3; 557.6 556.8; 339.3 339.1; 888.0 887.2; 998.5 999.0; 778.9 779.0; 10.2 11.1; 117.6 118.3; "
    "228.9 229.2; 668.4 669.1; 449.2 448.9; 0.2 0.5"
)


def test_norris() -> None:
    """Slope, intercept, their sds and the residual sd agree with NIST to ten digits (5.22, seen)."""
    pairs = [tuple(float(number) for number in pair.split()) for pair in NORRIS.split(";")]
    line = Drift((x, y) for y, x in pairs).line()
    assert line.count == 36
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-10)
    assert line.intercept_sd == pytest.approx(0.232818234301152, rel=1e-10)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert line.slope_sd == pytest.approx(0.429796848199937e-3, rel=1e-10)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-10)


def test_a_soak_of_wall_clock_times_keeps_its_digits() -> None:
    """Seconds since 1970 and a drift of a microvolt per hour on 24 V: the slope is still right."""
    slope = 1e-6 / 3600
    drift = Drift((1.7e9 + second, 24.0 + slope * second) for second in range(0, 259_200, 13))
    assert drift.line().slope == pytest.approx(slope, rel=1e-6)


@given(st.floats(-1e3, 1e3), st.floats(-10, 10), st.integers(2, 50), st.floats(-1e4, 1e4))
def test_an_exact_line_comes_back(intercept: float, slope: float, count: int, start: float) -> None:
    """Points on a line give the line, with hardly any uncertainty; two points give none at all."""
    line = Drift((start + i, intercept + slope * (start + i)) for i in range(count)).line()
    assert line.slope == pytest.approx(slope, abs=1e-8)
    assert line.intercept == pytest.approx(intercept, abs=1e-3)
    assert math.isnan(line.slope_sd) if count == 2 else line.slope_sd < 1e-6


def test_the_stated_sd_is_the_scatter_of_slopes() -> None:
    """Over many noisy series the slopes scatter as much as each fit says."""
    rng = random.Random(1)
    fits = [Drift((i, rng.gauss(0.0, 2.0)) for i in range(30)).line() for _ in range(800)]
    scatter = math.sqrt(sum(fit.slope**2 for fit in fits) / len(fits))
    said = math.sqrt(sum(fit.slope_sd**2 for fit in fits) / len(fits))
    assert scatter == pytest.approx(said, rel=0.08)  # 1/sqrt(1600) = 2.5 %, three of them


def test_a_clock_read_in_seconds_by_hand() -> None:
    """20 ppm over 72 h is 5.184 s, 1.728 s a day; whole seconds leave q/(sqrt(6) T) = 1.57 ppm."""
    error = clock_error([(0.0, 100.0), (259_200.0, 259_305.184)], clock_step=1.0)
    assert error.ppm == pytest.approx(20.0)
    assert error.seconds_per_day == pytest.approx(1.728)
    assert error.uncertainty_ppm == pytest.approx(1e6 / (math.sqrt(6.0) * 259_200.0))
    assert error.span == 259_200.0


@pytest.mark.parametrize("readings", [2, 12, 289])
def test_the_truth_lies_within_three_uncertainties(readings: int) -> None:
    """However many readings in whole seconds, at the same phase too, the error stays within 3 u."""
    rng = random.Random(readings)
    span = 86_400.0
    for _ in range(200):
        ppm, phase = rng.uniform(-100.0, 100.0), rng.random()
        times = [span * i / (readings - 1) for i in range(readings)]
        error = clock_error([(t, math.floor(phase + t * (1.0 + ppm * 1e-6))) for t in times], clock_step=1.0)
        assert abs(error.ppm - ppm) <= 3.0 * error.uncertainty_ppm


def test_the_span_needed_is_the_reverse() -> None:
    """Watching for the span asked for gives the uncertainty asked for."""
    span = span_needed(2.0, clock_step=1.0, reference_step=0.5)
    error = clock_error([(0.0, 0.0), (span, span)], clock_step=1.0, reference_step=0.5)
    assert error.uncertainty_ppm == pytest.approx(2.0)


def test_what_cannot_be_is_refused() -> None:
    """Too few pairs, equal times, missing values and negative steps are errors."""
    with pytest.raises(ValueError, match="through 1 pairs"):
        Drift([(0.0, 1.0)]).line()
    with pytest.raises(ValueError, match="at different x"):
        Drift([(5.0, 1.0), (5.0, 2.0)]).line()
    with pytest.raises(ValueError, match="expected two finite"):
        Drift([(0.0, math.inf)])
    with pytest.raises(ValueError, match=r"steps of -1\.0"):
        clock_error([(0.0, 0.0), (1.0, 1.0)], clock_step=-1.0)
    with pytest.raises(ValueError, match=r"0\.0 ppm"):
        span_needed(0.0, clock_step=1.0)
