"""MTBF arithmetic against check-values section 5."""

import math

import pytest
import scipy
from hypothesis import given
from hypothesis import strategies as st

from hilseq.analysis.counted import (
    mean_count_lower,
    mean_count_upper,
    mtbf_interval,
    mtbf_lower,
    probability_of_showing,
    rate_interval,
)


def test_worked_case() -> None:
    """800 h, 2 failures, 90 %: 127.07 to 2251.2 h (5.7; NIST 8.4.5.1 from memory, recomputed)."""
    interval = mtbf_interval(800.0, 2, 0.90)
    assert interval.lower == pytest.approx(127.0690, abs=5e-5)
    assert interval.upper == pytest.approx(2251.2, abs=0.05)


# check-values 5.8: NIST 8.4.5.1 tables (existence seen, figures from memory, recomputed).
@pytest.mark.parametrize(
    ("confidence", "failures", "low", "high"),
    [
        (0.90, 1, 0.2108, 19.4957),
        (0.90, 2, 0.3177, 5.6281),
        (0.90, 3, 0.3869, 3.6689),
        (0.90, 5, 0.4756, 2.5379),
        (0.90, 10, 0.5895, 1.8432),
        (0.60, 1, 0.3340, 4.4814),
        (0.60, 2, 0.4674, 2.4260),
        (0.95, 1, 0.1795, 39.4979),
    ],
)
def test_interval_factors(confidence: float, failures: int, low: float, high: float) -> None:
    """The bounds divided by the estimate are the tabulated factors."""
    interval = mtbf_interval(1.0, failures, confidence)
    assert (interval.lower * failures, interval.upper * failures) == pytest.approx((low, high), abs=5e-5)


# check-values 5.9, recomputed: 1/(-ln(1-C)).
@pytest.mark.parametrize(
    ("confidence", "factor"), [(0.60, 1.0914), (0.80, 0.6213), (0.90, 0.4343), (0.95, 0.3338)]
)
def test_zero_failure_factors(confidence: float, factor: float) -> None:
    """After no failure the lower bound is this part of the running time, and there is no upper bound."""
    assert mtbf_lower(1.0, 0, confidence) == pytest.approx(factor, abs=5e-5)
    assert mtbf_interval(1.0, 0, confidence).lower == mtbf_lower(1.0, 0, confidence)
    assert mtbf_interval(1.0, 0, confidence).upper == math.inf


@pytest.mark.parametrize(("confidence", "hours"), [(0.60, 78.6), (0.90, 31.3), (0.95, 24.0)])
def test_three_days_without_failure(confidence: float, hours: float) -> None:
    """72 h without failure prove so many hours of MTBF (5.10, Poisson, recomputed)."""
    assert mtbf_lower(72.0, 0, confidence) == pytest.approx(hours, abs=0.05)


def test_a_daily_fault_shows_within_three_days() -> None:
    """A fault with MTBF 24 h shows in 72 h with probability 0.9502 (5.10)."""
    assert probability_of_showing(24.0, 72.0) == pytest.approx(0.9502, abs=5e-5)


# check-values 5.11, recomputed; the 95 % row also seen as a BER table (7.4).
@pytest.mark.parametrize(
    ("confidence", "times"),
    [(0.60, (0.9163, 2.0223, 3.1054)), (0.90, (2.3026, 3.8897, 5.3223)), (0.95, (2.9957, 4.7439, 6.2958))],
)
def test_running_time_per_lower_mtbf(confidence: float, times: tuple[float, ...]) -> None:
    """Zero, one and two failures allowed need these multiples of the MTBF to prove."""
    needed = [mean_count_upper(failures, confidence) for failures in range(3)]
    assert needed == pytest.approx(times, abs=5e-5)


@given(st.integers(0, 200), st.floats(0.5, 0.999), st.floats(1e-3, 1e6))
def test_bounds_solve_their_definition(events: int, confidence: float, exposure: float) -> None:
    """At the bound a count so low (so high) has just the probability 1 - C."""
    upper = mean_count_upper(events, confidence)
    assert scipy.stats.poisson.cdf(events, upper) == pytest.approx(1.0 - confidence, rel=1e-6)
    if events:
        lower = mean_count_lower(events, confidence)
        assert scipy.stats.poisson.sf(events - 1, lower) == pytest.approx(1.0 - confidence, rel=1e-6)
    rate = rate_interval(events, exposure, confidence)
    assert rate.lower <= events / exposure <= rate.upper
    assert mtbf_lower(exposure * upper, events, confidence) == pytest.approx(exposure)


def test_nonsense_is_refused() -> None:
    """Impossible times, counts and probabilities are errors that give the value."""
    with pytest.raises(ValueError, match=r"running time of 0\.0"):
        mtbf_lower(0.0, 0, 0.9)
    with pytest.raises(ValueError, match="running time of nan"):
        mtbf_lower(math.nan, 1, 0.9)
    with pytest.raises(ValueError, match="-1 failures"):
        mtbf_interval(1.0, -1, 0.9)
    with pytest.raises(ValueError, match=r"running time of -1\.0"):
        probability_of_showing(24.0, -1.0)
    with pytest.raises(ValueError, match="confidence 90"):
        mtbf_lower(1.0, 0, 90.0)


def test_in_no_time_nothing_shows() -> None:
    """1 - exp(-0 / MTBF) is 0, and no mistake: a soak that has just begun has shown nothing."""
    assert probability_of_showing(24.0, 0.0) == 0.0
