"""Sequential plans against check-values section 5."""

import math
import random

import pytest
import scipy
from hypothesis import given
from hypothesis import strategies as st

from hilseq.analysis.start_plans import BinomialPlan, Decision

#: The worked plan of NIST 6.2.6 (parameters from memory, see 5.12).
PLAN = BinomialPlan(good=0.01, bad=0.10, alpha=0.05, beta=0.10)


def numbers(plan: BinomialPlan, trials: int) -> tuple[int | None, int | None]:
    """Return the most failures that accept after so many trials and the fewest that reject; None where none do."""
    said = [plan.decide(trials, failures) for failures in range(trials + 1)]
    accepting = [failures for failures, decision in enumerate(said) if decision is Decision.ACCEPT]
    rejecting = [failures for failures, decision in enumerate(said) if decision is Decision.REJECT]
    return max(accepting, default=None), min(rejecting, default=None)


def test_the_lines_of_the_worked_plan() -> None:
    """h1, h2 and s of the plan p1 = 0.01, p2 = 0.10 (5.12, NIST 6.2.6, recomputed)."""
    assert (PLAN.h1, PLAN.h2) == pytest.approx((0.938862, 1.205379), abs=5e-7)
    assert PLAN.s == pytest.approx(0.0397474, abs=5e-8)


def test_the_table_rows_of_the_worked_plan() -> None:
    """Row n = 24 is 0/3 (5.13, seen in a mirror of NIST 6.2.6); the rejection numbers as recomputed."""
    assert numbers(PLAN, 24) == (0, 3)
    assert all(numbers(PLAN, n)[0] is None for n in range(1, 24))
    assert numbers(PLAN, 1)[1] is None
    assert {numbers(PLAN, n)[1] for n in range(2, 20)} == {2}
    assert {numbers(PLAN, n)[1] for n in range(20, 46)} == {3}
    assert numbers(PLAN, 46)[1] == 4


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
    """`decide` accepts up to the line below s*n by h1 and rejects from the one above by h2, and nowhere else."""
    plan = BinomialPlan(good, good * times, alpha, beta)
    accepts, rejects = numbers(plan, trials)
    line = plan.s * trials
    assert accepts == (math.floor(line - plan.h1) if line >= plan.h1 else None)
    assert rejects == (math.ceil(line + plan.h2) if math.ceil(line + plan.h2) <= trials else None)


def test_nonsense_is_refused() -> None:
    """Plans that cannot be, and counts that cannot be, are errors that give the values."""
    with pytest.raises(ValueError, match="expected good below bad"):
        BinomialPlan(0.1, 0.1, 0.05, 0.1)
    with pytest.raises(ValueError, match="expected a sum below 1"):
        BinomialPlan(0.01, 0.1, 0.6, 0.5)
    with pytest.raises(ValueError, match="4 failures in 3 trials"):
        PLAN.decide(3, 4)
    with pytest.raises(ValueError, match=r"probability 1\.5"):
        PLAN.characteristics(1.5, at_most=10)
    with pytest.raises(ValueError, match="expected them further apart"):
        BinomialPlan(0.0100, 0.0101, 0.05, 0.05).single_sample()
