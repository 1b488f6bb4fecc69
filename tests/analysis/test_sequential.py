"""Sequential plans against check-values section 5."""

import random

import pytest
import scipy
from hypothesis import given
from hypothesis import strategies as st

from hilseq.analysis.sequential import BinomialPlan, Decision, ExponentialPlan

#: The worked plan of NIST 6.2.6 (parameters from memory, see 5.12).
PLAN = BinomialPlan(good=0.01, bad=0.10, alpha=0.05, beta=0.10)


def test_the_lines_of_the_worked_plan() -> None:
    """h1, h2 and s of the plan p1 = 0.01, p2 = 0.10 (5.12, NIST 6.2.6, recomputed)."""
    assert (PLAN.h1, PLAN.h2) == pytest.approx((0.938862, 1.205379), abs=5e-7)
    assert PLAN.s == pytest.approx(0.0397474, abs=5e-8)


def test_the_table_rows_of_the_worked_plan() -> None:
    """Row n = 24 is 0/3 (5.13, seen in a mirror of NIST 6.2.6); the rejection numbers as recomputed."""
    assert (PLAN.acceptance_number(24), PLAN.rejection_number(24)) == (0, 3)
    assert all(PLAN.acceptance_number(n) is None for n in range(1, 24))
    assert PLAN.rejection_number(1) is None
    assert {PLAN.rejection_number(n) for n in range(2, 20)} == {2}
    assert {PLAN.rejection_number(n) for n in range(20, 46)} == {3}
    assert PLAN.rejection_number(46) == 4


@pytest.mark.parametrize(
    ("probability", "accept", "trials"), [(0.01, 0.97795, 30.21), (0.10, 0.09958, 22.37)]
)
def test_exact_characteristics(probability: float, accept: float, trials: float) -> None:
    """P(accept) and mean sample number by enumeration to n = 2000 (5.14, recomputed)."""
    found = PLAN.characteristics(probability, at_most=2000)
    assert found.accept == pytest.approx(accept, abs=5e-6)
    assert found.mean_trials == pytest.approx(trials, abs=5e-3)
    assert found.accept + found.reject + found.open == pytest.approx(1.0)


def test_the_slowest_decision_is_at_s() -> None:
    """At p = s the mean sample number is 39.05 (5.14, recomputed)."""
    assert PLAN.characteristics(PLAN.s, at_most=2000).mean_trials == pytest.approx(39.05, abs=5e-3)


def test_the_single_sample_is_the_smallest_that_keeps_both_risks() -> None:
    """The fixed plan keeps both risks by scipy.stats, and no smaller one does; truncation is 3 times it."""
    single = PLAN.single_sample()
    assert scipy.stats.binom.cdf(single.acceptance, single.trials, 0.01) >= 0.95
    assert scipy.stats.binom.cdf(single.acceptance, single.trials, 0.10) <= 0.10
    for trials in range(1, single.trials):
        acceptance = range(trials)
        assert not any(
            scipy.stats.binom.cdf(c, trials, 0.01) >= 0.95 and scipy.stats.binom.cdf(c, trials, 0.10) <= 0.10
            for c in acceptance
        )
    assert PLAN.truncation == 3 * single.trials  # 5.15


def test_truncation_decides_and_hardly_changes_the_risks() -> None:
    """Cut off at three times the single sample, every run ends, and both risks stay as promised."""
    cut = PLAN.truncation
    good = PLAN.characteristics(0.01, at_most=cut, truncated=True)
    bad = PLAN.characteristics(0.10, at_most=cut, truncated=True)
    assert good.open == bad.open == 0.0
    assert good.reject <= PLAN.alpha
    assert bad.accept <= PLAN.beta
    assert PLAN.decide(cut, int(PLAN.s * cut), cut) is Decision.ACCEPT
    assert PLAN.decide(cut, int(PLAN.s * cut) + 1, cut) is Decision.REJECT
    assert PLAN.decide(cut, int(PLAN.s * cut)) is Decision.CONTINUE


def test_enumeration_equals_playing_the_plan() -> None:
    """Following `decide` with drawn failures accepts as often as the enumeration says."""
    rng, accepted, rounds = random.Random(3), 0, 3000
    for _ in range(rounds):
        trials = failures = 0
        decision = Decision.CONTINUE
        while decision is Decision.CONTINUE:
            trials += 1
            failures += rng.random() < 0.05
            decision = PLAN.decide(trials, failures)
        accepted += decision is Decision.ACCEPT
    expected = PLAN.characteristics(0.05, at_most=2000).accept
    assert accepted / rounds == pytest.approx(expected, abs=4 * (0.25 / rounds) ** 0.5)


@given(
    st.floats(0.001, 0.1),
    st.floats(1.5, 8.0),
    st.floats(0.01, 0.3),
    st.floats(0.01, 0.3),
    st.integers(1, 300),
)
def test_numbers_and_decisions_agree(
    good: float, times: float, alpha: float, beta: float, trials: int
) -> None:
    """`decide` accepts just up to the acceptance number and rejects just from the rejection number."""
    plan = BinomialPlan(good, good * times, alpha, beta)
    accepts, rejects = plan.acceptance_number(trials), plan.rejection_number(trials)
    for failures in range(trials + 1):
        expected = Decision.CONTINUE
        if accepts is not None and failures <= accepts:
            expected = Decision.ACCEPT
        elif rejects is not None and failures >= rejects:
            expected = Decision.REJECT
        assert plan.decide(trials, failures) is expected


# check-values 5.16, Wald formula recomputed: d, risk, a, b in units of the lower MTBF.
@pytest.mark.parametrize(
    ("ratio", "risk", "a", "b"),
    [
        (2.0, 0.10, 4.3944, 1.3863),
        (2.0, 0.20, 2.7726, 1.3863),
        (3.0, 0.10, 3.2958, 1.6479),
        (3.0, 0.20, 2.0794, 1.6479),
        (1.5, 0.10, 6.5917, 1.2164),
    ],
)
def test_exponential_lines(ratio: float, risk: float, a: float, b: float) -> None:
    """The lines of the exponential plan are Wald's, in hours when the MTBFs are in hours."""
    plan = ExponentialPlan(lower=24.0, upper=24.0 * ratio, alpha=risk, beta=risk)
    assert (plan.a, plan.a_reject, plan.b) == pytest.approx((a, a, b), abs=5e-5)
    assert plan.accept_time(2) == pytest.approx(24.0 * (a + 2 * b), rel=1e-4)
    assert plan.reject_time(0) is None
    assert plan.reject_time(9) == pytest.approx(24.0 * (9 * b - a), rel=1e-4)


def test_the_exponential_plan_decides_in_time() -> None:
    """Too early it goes on; past the one line it accepts, before the other it rejects."""
    plan = ExponentialPlan(lower=10.0, upper=20.0, alpha=0.2, beta=0.2)
    assert plan.decide(27.0, 0) is Decision.CONTINUE
    assert plan.decide(27.8, 0) is Decision.ACCEPT
    assert plan.decide(27.8, 1) is Decision.CONTINUE
    assert plan.decide(13.0, 3) is Decision.REJECT
    assert plan.decide(14.0, 3) is Decision.CONTINUE


def test_unequal_risks_lie_on_their_own_side() -> None:
    """A smaller beta (accepting a bad unit) makes acceptance later and leaves rejection nearly alone."""
    even = ExponentialPlan(lower=10.0, upper=20.0, alpha=0.2, beta=0.2)
    strict = ExponentialPlan(lower=10.0, upper=20.0, alpha=0.2, beta=0.02)
    assert strict.accept_time(0) > 1.5 * even.accept_time(0)
    assert strict.a_reject == pytest.approx(even.a_reject, rel=0.15)
    assert strict.reject_time(9) == pytest.approx(10.0 * (9 * 1.386294 - 2.0 * 1.589235), rel=1e-6)


def test_nonsense_is_refused() -> None:
    """Plans that cannot be, and counts that cannot be, are errors that give the values."""
    with pytest.raises(ValueError, match="expected good below bad"):
        BinomialPlan(0.1, 0.1, 0.05, 0.1)
    with pytest.raises(ValueError, match="expected a sum below 1"):
        BinomialPlan(0.01, 0.1, 0.6, 0.5)
    with pytest.raises(ValueError, match="expected a sum below 1"):
        ExponentialPlan(1.0, 2.0, 0.6, 0.5)
    with pytest.raises(ValueError, match="expected 0 < lower < upper"):
        ExponentialPlan(2.0, 1.0, 0.1, 0.1)
    with pytest.raises(ValueError, match="4 failures in 3 trials"):
        PLAN.decide(3, 4)
    with pytest.raises(ValueError, match=r"-1 failures in 1\.0"):
        ExponentialPlan(1.0, 2.0, 0.1, 0.1).decide(1.0, -1)
    with pytest.raises(ValueError, match=r"probability 1\.5"):
        PLAN.characteristics(1.5, at_most=10)
    with pytest.raises(ValueError, match="expected them further apart"):
        BinomialPlan(0.0100, 0.0101, 0.05, 0.05).single_sample()
