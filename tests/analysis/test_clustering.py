"""Clustering of few events against scipy.stats and by hand."""

import math

import pytest
import scipy
from hypothesis import given
from hypothesis import strategies as st

from hilseq.analysis.clustering import clusters, compare_rates


def test_all_of_four_in_a_quarter_of_the_time_by_hand() -> None:
    """Four of four events in a quarter of the time: (1/4)**4 = 1/256."""
    found = clusters(4, 4, 18.0, 72.0)
    assert found.p_value == pytest.approx(1 / 256)
    assert found.share_of_time == 0.25
    assert found.sentence("above 55 degC") == (
        "4 of 4 failures happened above 55 degC, which was 25 % of the time;"
        " by chance alone so many would be there with probability 1 in 260."
    )


def test_the_other_sentences() -> None:
    """No event, one event, a likely outcome and an all but impossible one are told plainly."""
    assert clusters(0, 0, 1.0, 2.0).sentence("warm") == (
        "No failure happened, so nothing can be said about when it happens."
    )
    assert clusters(1, 1, 10.0, 72.0).sentence("while held", "restart") == (
        "1 of 1 restart happened while held, which was 13.9 % of the time;"
        " that may be chance (probability 14 %)."
    )
    # Three or four of four in a quarter of the time: 13/256 = 5.08 %, just too likely to call.
    assert clusters(3, 4, 1.0, 4.0).sentence("warm").endswith("that may be chance (probability 5.1 %).")
    assert clusters(40, 40, 1.0, 4.0).sentence("warm").endswith("with probability below 1 in 1000000000.")


@given(st.integers(1, 60).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), st.floats(0.01, 0.99))
def test_p_value_equals_an_independent_implementation(case: tuple[int, int], part: float) -> None:
    """The p-value is that of scipy's exact one-sided binomial test, in any unit of time."""
    under, events = case
    expected = scipy.stats.binomtest(under, events, part, alternative="greater").pvalue
    assert clusters(under, events, part, 1.0).p_value == pytest.approx(expected, rel=1e-9)
    assert clusters(under, events, 3600 * part, 3600.0).p_value == pytest.approx(expected, rel=1e-6)


@given(st.integers(0, 40), st.integers(0, 40), st.floats(1.0, 100.0), st.floats(1.0, 100.0))
def test_rates_compare_as_an_independent_implementation(a: int, b: int, time_a: float, time_b: float) -> None:
    """The two-sided p-value is scipy's, the ratio lies in its interval, and exchanging sides inverts both."""
    found = compare_rates(a, time_a, b, time_b)
    if a + b == 0:
        assert found.p_value == 1.0
        assert math.isnan(found.ratio)
        return
    expected = scipy.stats.binomtest(a, a + b, time_a / (time_a + time_b)).pvalue
    assert found.p_value == pytest.approx(expected, rel=1e-6)
    assert found.interval.lower <= found.ratio <= found.interval.upper
    other = compare_rates(b, time_b, a, time_a)
    assert other.p_value == pytest.approx(found.p_value, rel=1e-6)
    if a and b:
        assert other.ratio * found.ratio == pytest.approx(1.0)
        assert other.interval.lower * found.interval.upper == pytest.approx(1.0)


def test_a_rate_against_none() -> None:
    """Five events against none in the same time: (1/2)**5 twice is 1/16, and the ratio has no upper end."""
    found = compare_rates(5, 10.0, 0, 10.0)
    assert found.p_value == pytest.approx(1 / 16)
    assert found.ratio == found.interval.upper == math.inf
    assert found.interval.lower == pytest.approx(0.025**0.2 / (1 - 0.025**0.2))


def test_what_cannot_be_is_refused() -> None:
    """More events under a condition than there were, or under one that never was, are errors."""
    with pytest.raises(ValueError, match="5 events in 4 trials"):
        clusters(5, 4, 1.0, 2.0)
    with pytest.raises(ValueError, match=r"1 of 4 events in 0% of the time"):
        clusters(1, 4, 0.0, 2.0)
    with pytest.raises(ValueError, match=r"3 of 4 events in 100% of the time"):
        clusters(3, 4, 2.0, 2.0)
    with pytest.raises(ValueError, match=r"3\.0 of 2\.0 of the time"):
        clusters(1, 4, 3.0, 2.0)
    with pytest.raises(ValueError, match=r"-1 in 1\.0"):
        compare_rates(-1, 1.0, 1, 1.0)
    with pytest.raises(ValueError, match="times > 0"):
        compare_rates(1, 0.0, 1, 1.0)
