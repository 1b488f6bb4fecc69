"""A ratio tested while it is counted: published and recomputed rates of wrong decisions, every look counted."""

from __future__ import annotations

import random

import pytest

from hilseq.analysis.ratio_plans import RatioPlan, ratio_plan, risk_of_each
from hilseq.analysis.start_plans import Decision

#: First number of bits at which the 95 % bound meets 0.01, by errors; recomputed binomial sums (B7.7).
_TO_16 = (299, 473, 628, 773, 913, 1049, 1182, 1312, 1441, 1568, 1693, 1818, 1941, 2064, 2185, 2306, 2426)
NAIVE = (*_TO_16, 2546, 2665, 2784, 2902)


def naive(most: int) -> RatioPlan:
    """Return the plan that looks with 95 % each time, and so errs far more often."""
    return RatioPlan(0.01, 0.05, 0.05, NAIVE[: most + 1])


@pytest.mark.parametrize(
    ("ratio", "most", "passed"),
    [
        (0.01, 0, 0.04953626),
        (0.01, 1, 0.07556679),
        (0.01, 5, 0.12774400),
        (0.01, 20, 0.19673662),
        (0.02, 20, 0.00301231),
        (0.005, 5, 0.67598858),
        (0.001, 0, 0.74144848),
        (0.001, 2, 0.97953284),
    ],
)
def test_how_often_a_plan_passes_is_enumerated_exactly(ratio: float, most: int, passed: float) -> None:
    """Cumulative looks at a claim of 0.01, 95 % each: exact recursion, recomputed (B7.8, B7.9)."""
    assert naive(most).passes(ratio) == pytest.approx(passed, abs=1e-8)


@pytest.mark.parametrize("claim", [0.1, 1e-3, 1e-9])
@pytest.mark.parametrize("tests", [1, 6])
def test_all_looks_together_keep_the_risk(claim: float, tests: int) -> None:
    """At the claim a plan passes with its whole risk at most, and hardly less: nothing is given away."""
    risk = risk_of_each(0.05, tests)
    plan = ratio_plan(claim, risk)
    assert 0.97 * risk <= plan.passes(claim) <= risk
    assert risk * tests == pytest.approx(0.05)
    assert plan.passes(0.1 * claim) > 0.999


def test_the_risk_is_that_of_a_simulation() -> None:
    """Bit by bit, 4000 times at a claim of 0.1: within four standard deviations of the enumerated risk."""
    plan, chance, passed = ratio_plan(0.1, 0.05), random.Random(18), 0
    for _ in range(4000):
        trials = errors = 0
        while (decision := plan.decide(trials, errors)) is Decision.CONTINUE:
            trials += 1
            errors += chance.random() < 0.1
        passed += decision is Decision.ACCEPT
    assert abs(passed / 4000 - plan.passes(0.1)) < 4.0 * (0.05 * 0.95 / 4000) ** 0.5


def test_the_bounds_agree_with_the_decision() -> None:
    """What the plan passes lies below the claim by its bound, one bit earlier it does not."""
    plan = ratio_plan(1e-3, 0.05)
    for errors, trials in enumerate(plan.looks):
        assert plan.decide(trials, errors) is Decision.ACCEPT
        assert plan.bounds(trials, errors).upper <= 1e-3 < plan.bounds(trials - 1, errors).upper
    assert plan.decide(plan.looks[-1], len(plan.looks)) is Decision.REJECT
