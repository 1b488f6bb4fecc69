"""Bounds of proportions against check-values section 5 and scipy.stats as an independent reference."""

import pytest
import scipy
from hypothesis import example, given
from hypothesis import strategies as st

from hilseq.analysis.counted import (
    clopper_pearson,
    confidence_shown,
    lower_bound,
    reliability_shown,
    trials_needed,
    upper_bound,
)


def test_four_of_twenty() -> None:
    """4 of 20 at 90 %: 0.0713539 to 0.4010281 (5.1; problem NIST 7.2.4.2, result from memory, recomputed)."""
    interval = clopper_pearson(4, 20, 0.90)
    assert (interval.lower, interval.upper) == pytest.approx((0.0713539, 0.4010281), abs=5e-8)


def test_none_of_twenty() -> None:
    """0 of 20: 95 % upper bound 0.168433 two-sided, 0.139108 one-sided (5.2, recomputed)."""
    assert clopper_pearson(0, 20, 0.95).upper == pytest.approx(0.168433, abs=5e-7)
    assert clopper_pearson(0, 20, 0.95).lower == 0.0
    assert upper_bound(0, 20, 0.95) == pytest.approx(0.139108, abs=5e-7)


# check-values 5.4 (two public articles: 22 and 59) and 5.5 (299 from memory; all recomputed).
SUCCESS_RUNS = [
    (0.90, 0.90, 22),
    (0.95, 0.95, 59),
    (0.90, 0.95, 29),
    (0.95, 0.90, 45),
    (0.99, 0.95, 299),
    (0.99, 0.99, 459),
    (0.999, 0.95, 2995),
]


@pytest.mark.parametrize(("reliability", "confidence", "trials"), SUCCESS_RUNS)
def test_success_run(reliability: float, confidence: float, trials: int) -> None:
    """The number of trials is the published one; one fewer does not prove it; the reverse agrees."""
    assert trials_needed(reliability, confidence) == trials
    assert confidence_shown(trials, reliability) >= confidence > confidence_shown(trials - 1, reliability)
    assert reliability_shown(trials, confidence) >= reliability > reliability_shown(trials - 1, confidence)


@given(st.integers(1, 60), st.floats(0.5, 0.999), st.integers(0, 4))
@example(31, 0.625, 0)  # 1 - C is then known to ten digits only
def test_confidence_asked_back_gives_the_same_trials(trials: int, reliability: float, failures: int) -> None:
    """The confidence shown by n trials needs n trials: no off-by-one through rounding."""
    trials += failures
    confidence = confidence_shown(trials, reliability, failures)
    if 1e-6 < confidence < 1.0 - 1e-9:
        assert trials_needed(reliability, confidence, failures) == trials


@given(st.integers(1, 500).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), st.floats(0.5, 0.999))
def test_bounds_equal_an_independent_implementation(case: tuple[int, int], confidence: float) -> None:
    """The two-sided interval is scipy's exact one, and the one-sided bounds solve their definition."""
    events, trials = case
    reference = scipy.stats.binomtest(events, trials).proportion_ci(confidence, method="exact")
    interval = clopper_pearson(events, trials, confidence)
    assert (interval.lower, interval.upper) == pytest.approx((reference.low, reference.high), rel=1e-7)
    if events < trials:
        upper = upper_bound(events, trials, confidence)
        assert scipy.stats.binom.cdf(events, trials, upper) == pytest.approx(1.0 - confidence, rel=1e-6)
    if events:
        lower = lower_bound(events, trials, confidence)
        assert scipy.stats.binom.sf(events - 1, trials, lower) == pytest.approx(1.0 - confidence, rel=1e-6)


@given(st.floats(0.5, 0.99), st.floats(0.5, 0.99), st.integers(1, 5))
def test_allowed_failures_cost_trials(reliability: float, confidence: float, failures: int) -> None:
    """The number found is the least that proves the claim, and more than with one failure fewer."""
    trials = trials_needed(reliability, confidence, failures)
    assert scipy.stats.binom.cdf(failures, trials, 1 - reliability) <= (1 - confidence) * (1 + 1e-9)
    assert scipy.stats.binom.cdf(failures, trials - 1, 1 - reliability) > (1 - confidence) * (1 - 1e-9)
    assert trials > trials_needed(reliability, confidence, failures - 1)


def test_where_all_fail_nothing_is_shown() -> None:
    """5 of 5: any probability up to 1 is possible, and no reliability is shown (Clopper-Pearson, exact)."""
    assert upper_bound(5, 5, 0.95) == 1.0
    assert confidence_shown(5, 0.9, failures=5) == 0.0
    assert reliability_shown(5, 0.95, failures=5) == 0.0


def test_nonsense_is_refused() -> None:
    """Impossible counts and confidences in percent are errors that say what was expected."""
    with pytest.raises(ValueError, match="21 events in 20 trials"):
        upper_bound(21, 20, 0.95)
    with pytest.raises(ValueError, match="0 events in 0 trials"):
        clopper_pearson(0, 0, 0.95)
    with pytest.raises(ValueError, match=r"confidence 95.*such as 0\.95"):
        upper_bound(0, 20, 95)
    with pytest.raises(ValueError, match="-1 failures"):
        trials_needed(0.9, 0.9, -1)


@pytest.mark.parametrize("confidence", [0.0, 1.0, 1.5, 95.0, float("nan")])
def test_a_confidence_is_a_share(confidence: float) -> None:
    """Certainty is none that a count can give, nor is what lies beyond."""
    for bound in (upper_bound, clopper_pearson):
        with pytest.raises(ValueError, match="expected a share above 0 and below 1"):
            bound(1, 20, confidence)


def test_a_plan_that_no_stand_can_make_is_refused() -> None:
    """A million million trials bound the search."""
    with pytest.raises(ValueError, match="expected one that 1000000000000 trials can prove"):
        trials_needed(1.0 - 1e-13, 0.95, 1)
