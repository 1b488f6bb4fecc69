"""Rank tests against SciPy, against distributions counted out by hand, and against their own promises."""

from __future__ import annotations

import itertools
import math
import random

import pytest
import scipy
from hypothesis import given, settings
from hypothesis import strategies as st

from hilseq.analysis.drift import (
    EXACT_UP_TO,
    holm,
    rank_sum_probability,
    shift,
    slope,
    trend_probability,
)

FEW = st.lists(st.integers(0, 6).map(float), min_size=1, max_size=5)


@given(FEW, FEW)
@settings(max_examples=60, deadline=None)
def test_a_small_rank_sum_is_counted_out(first: list[float], second: list[float]) -> None:
    """Against every way to deal the values into the two groups, equal values included."""
    pooled = [*first, *second]
    ranks = scipy.stats.rankdata(pooled)
    expected = len(first) * (len(pooled) + 1) / 2
    seen = abs(ranks[: len(first)].sum() - expected)
    deals = list(itertools.combinations(ranks, len(first)))
    far = sum(abs(sum(deal) - expected) >= seen - 1e-9 for deal in deals)
    assert rank_sum_probability(first, second) == pytest.approx(far / len(deals))


@pytest.mark.parametrize("ties", [False, True])
def test_a_large_rank_sum_agrees_with_scipy(ties: bool) -> None:
    rng = random.Random(1)
    first = [round(rng.gauss(0, 1), 1 if ties else 9) for _ in range(60)]
    second = [round(rng.gauss(0.3, 1), 1 if ties else 9) for _ in range(80)]
    expected = scipy.stats.mannwhitneyu(first, second, method="asymptotic").pvalue
    assert rank_sum_probability(first, second) == pytest.approx(expected, rel=1e-9)


def test_exact_and_normal_meet() -> None:
    rng = random.Random(2)
    half = EXACT_UP_TO // 2
    first, second = [rng.gauss(0, 1) for _ in range(half)], [rng.gauss(0.7, 1) for _ in range(half)]
    expected = scipy.stats.mannwhitneyu(first, second, method="exact").pvalue
    assert rank_sum_probability(first, second) == pytest.approx(expected, rel=1e-9)


def test_groups_that_cannot_be_compared_claim_nothing() -> None:
    assert rank_sum_probability([], [1.0]) == 1.0
    assert rank_sum_probability([5.0] * 30, [5.0] * 30) == 1.0


@given(st.lists(st.integers(0, 5).map(float), min_size=1, max_size=6, unique=True))
@settings(max_examples=40, deadline=None)
def test_a_small_trend_is_counted_out(values: list[float]) -> None:
    def score(order: tuple[float, ...]) -> int:
        return sum((b > a) - (b < a) for a, b in itertools.combinations(order, 2))

    orders = list(itertools.permutations(values))
    far = sum(abs(score(order)) >= abs(score(tuple(values))) for order in orders)
    assert trend_probability(values) == pytest.approx(far / len(orders))


def test_a_trend_agrees_with_kendall() -> None:
    rng = random.Random(3)
    values = [rng.gauss(0, 1) + n * 0.03 for n in range(30)]
    assert trend_probability(values) == pytest.approx(
        scipy.stats.kendalltau(range(30), values, method="exact").pvalue, rel=1e-9
    )
    long = [round(rng.gauss(0, 1) + n * 0.004, 1) for n in range(150)]
    # SciPy leaves the continuity correction out: it is a little bolder.
    bolder = scipy.stats.kendalltau(range(150), long, method="asymptotic").pvalue
    assert bolder <= trend_probability(long) == pytest.approx(bolder, rel=0.03)


def test_shift_and_slope_find_what_was_put_in() -> None:
    rng = random.Random(4)
    second = [rng.gauss(10, 1) for _ in range(400)]
    first = [rng.gauss(10.5, 1) for _ in range(300)]
    found = shift(first, second)
    assert found.low is not None
    assert found.high is not None
    assert found.low < 0.5 < found.high
    assert found.estimate == pytest.approx(0.5, abs=0.15)
    assert slope(range(9), [3 + 2.5 * n for n in range(8)] + [-100.0]) == pytest.approx(2.5)


def test_the_interval_is_what_the_test_does_not_reject() -> None:
    rng = random.Random(5)
    first, second = [rng.gauss(1, 1) for _ in range(8)], [rng.gauss(0, 1) for _ in range(7)]
    found = shift(first, second)
    assert found.low is not None
    assert found.high is not None
    for inside, move in ((True, found.low + 1e-6), (False, found.low - 1e-6), (False, found.high + 1e-6)):
        moved = [value - move for value in first]
        assert (rank_sum_probability(moved, second) > 0.05) is inside


def test_three_against_three_give_no_interval_at_95_percent() -> None:
    assert shift([4.0, 5.0, 6.0], [1.0, 2.0, 3.0]).low is None
    assert rank_sum_probability([4.0, 5.0, 6.0], [1.0, 2.0, 3.0]) == pytest.approx(0.1)
    with pytest.raises(ValueError, match="both groups"):
        shift([], [1.0])


def test_holm_steps_down() -> None:
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert holm([]) == []
    assert holm([0.9, 0.8]) == [1.0, 1.0]


def test_asking_often_finds_little_where_there_is_nothing() -> None:
    """Of 200 pairs of like groups, about 5 % differ by the bare test, and next to none after Holm."""
    rng = random.Random(6)
    bare = [
        rank_sum_probability([rng.gauss(0, 1) for _ in range(15)], [rng.gauss(0, 1) for _ in range(15)])
        for _ in range(200)
    ]
    assert sum(p < 0.05 for p in bare) <= 18
    assert sum(p < 0.05 for p in holm(bare)) <= 1
    assert all(0 < p <= 1 and math.isfinite(p) for p in bare)
