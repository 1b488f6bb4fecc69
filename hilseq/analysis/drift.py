"""Whether readings move or differ over units, stands and time: control charts, and tests by rank.

Control charts of single values: limits, rules that call a point strange, and capability.

For readings of one kind over many units (idle current at intake, say), so that a stand that shifts is
seen before it fails good units. Individuals and moving range chart: limits mean +- 2.66 * mean moving
range, and 3.267 * mean moving range (NIST/SEMATECH e-Handbook 6.3.2.2, from memory; the constants are
3/d2 and 1 + 3*d3/d2 for ranges of two normal values, recomputed in the tests). Rules: Western Electric
Statistical Quality Control Handbook (1956) and Nelson (Journal of Quality Technology, 1984), both from
memory.

Tests by rank: do two groups differ, does one keep rising, and what do many such tests prove together.

Pure numbers. Readings of a production line are rarely normal and always hold a few odd ones, so nothing
here assumes a distribution.

Sources, from memory; the numbers are checked against SciPy in the tests. Rank sum: F. Wilcoxon, Biometrics
Bulletin 1 (1945) 80; H. B. Mann, D. R. Whitney, Ann. Math. Stat. 18 (1947) 50. Shift: J. L. Hodges, E. L.
Lehmann, Ann. Math. Stat. 34 (1963) 598. Trend: H. B. Mann, Econometrica 13 (1945) 245; M. G. Kendall, Rank
Correlation Methods. Slope: P. K. Sen, JASA 63 (1968) 1379. Many tests: S. Holm, Scand. J. Stat. 6 (1979) 65.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import NormalDist, fmean

import numpy as np
from numpy.typing import NDArray

#: 3/d2 with d2 = 1.128: from the mean moving range of two to three sigma.
INDIVIDUALS_FACTOR = 2.66
#: D4 for ranges of two.
RANGE_FACTOR = 3.267


@dataclass(frozen=True, slots=True)
class ChartLimits:
    """Centre and limits of an individuals chart and of its moving ranges, in the unit of the values."""

    lower: float
    centre: float
    upper: float
    mean_range: float
    upper_range: float

    @property
    def sigma(self) -> float:
        """The short-term standard deviation the limits stand for."""
        return (self.upper - self.centre) / 3.0


def individuals(values: Sequence[float]) -> ChartLimits:
    """Return the limits from values in the order they were taken. Raises ValueError below two values."""
    if len(values) < 2:  # noqa: PLR2004 - a range takes two
        raise ValueError(f"a control chart of {len(values)} values: expected at least 2")
    centre = fmean(values)
    mean_range = fmean(abs(b - a) for a, b in pairwise(values))
    half = INDIVIDUALS_FACTOR * mean_range
    return ChartLimits(centre - half, centre, centre + half, mean_range, RANGE_FACTOR * mean_range)


@dataclass(frozen=True, slots=True)
class ChartSignal:
    """A rule that was met, and the number (from 0) of the value that completed it."""

    rule: str
    index: int


#: A rule looks at the last values in units of sigma from the centre.
_Test = Callable[[Sequence[float]], bool]


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule: how it is said, who named it, the values it looks at (at most, at least), and its test."""

    name: str
    source: str
    span: int
    least: int
    test: _Test


def _beyond(sigmas: float, needed: int) -> _Test:
    """Make the test that `needed` values, the last among them, lie beyond so many sigma on one side."""

    def test(scaled: Sequence[float]) -> bool:
        side = 1.0 if scaled[-1] > 0.0 else -1.0
        far = [side * value > sigmas for value in scaled]
        return far[-1] and sum(far) >= needed

    return test


def _side(name: str, source: str, sigmas: float, needed: int, span: int) -> Rule:
    return Rule(name, f"{source} (from memory)", span, needed, _beyond(sigmas, needed))


_FAR = "one value beyond 3 sigma"
_TWO_OF_THREE = "two of three beyond 2 sigma on one side"
_FOUR_OF_FIVE = "four of five beyond 1 sigma on one side"
WESTERN_ELECTRIC = (
    _side(_FAR, "Western Electric 1", 3.0, 1, 1),
    _side(_TWO_OF_THREE, "Western Electric 2", 2.0, 2, 3),
    _side(_FOUR_OF_FIVE, "Western Electric 3", 1.0, 4, 5),
    _side("eight in a row on one side", "Western Electric 4", 0.0, 8, 8),
)


def signals(
    values: Sequence[float], limits: ChartLimits, rules: Sequence[Rule] = WESTERN_ELECTRIC
) -> tuple[ChartSignal, ...]:
    """Return every rule met, at the value that completed it, in the order of the values.

    Raises ValueError for limits of no width.
    """
    if not limits.sigma > 0.0:
        raise ValueError(f"limits {limits.lower!r} to {limits.upper!r}: expected upper above lower")
    scaled = [(value - limits.centre) / limits.sigma for value in values]
    found: list[ChartSignal] = []
    for index in range(len(scaled)):
        for rule in rules:
            window = scaled[max(0, index - rule.span + 1) : index + 1]
            if len(window) >= rule.least and rule.test(window):
                found.append(ChartSignal(rule.name, index))
    return tuple(found)


#: Up to so many values together the distribution is counted out; beyond, the normal one is as good.
EXACT_UP_TO = 40
#: Samples are thinned to so many order statistics before all pairs are formed.
_MOST_PAIRED = 200

Numbers = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Shift:
    """How far the first group lies above the second; no interval when the groups are too small for one."""

    estimate: float
    low: float | None
    high: float | None


def _midranks(values: Numbers) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return twice the midrank of each value (a whole number) and the sizes of the groups of equal values."""
    _, where, sizes = np.unique(values, return_inverse=True, return_counts=True)
    ends = np.cumsum(sizes)
    doubled: NDArray[np.int64] = (2 * ends - sizes + 1)[where]
    return doubled, sizes


def _subset_sums(doubled: NDArray[np.int64], size: int) -> NDArray[np.int64]:
    """Return how many subsets of that size have each sum."""
    counts = np.zeros((size + 1, int(doubled.sum()) + 1), dtype=np.int64)
    counts[0, 0] = 1
    for rank in doubled.tolist():
        counts[1:, rank:] += counts[:-1, : counts.shape[1] - rank].copy()
    found: NDArray[np.int64] = counts[size]
    return found


def rank_sum_probability(first: Sequence[float], second: Sequence[float]) -> float:
    """Return the two-sided probability of a rank sum at least this far out when both groups are alike.

    Exact, also with equal values, up to EXACT_UP_TO values together; else normal with corrections for equal
    values and continuity. 1.0 when a group is empty.
    """
    n, m = len(first), len(second)
    if not n or not m:
        return 1.0
    doubled, ties = _midranks(np.asarray([*first, *second], dtype=np.float64))
    total = n + m
    expected = n * (total + 1)  # of the doubled rank sum
    observed = abs(int(doubled[:n].sum()) - expected)
    if total <= EXACT_UP_TO:
        counts = _subset_sums(doubled, n)
        far = np.abs(np.arange(counts.size) - expected) >= observed
        return float(counts[far].sum() / math.comb(total, n))
    spread = n * m / 12 * (total + 1 - float((ties**3 - ties).sum()) / (total * (total - 1)))
    if spread <= 0:
        return 1.0
    z = max(observed / 2 - 0.5, 0.0) / math.sqrt(spread)
    return 2 * NormalDist().cdf(-z)


def _thinned(values: Sequence[float]) -> Numbers:
    ordered = np.sort(np.asarray(values, dtype=np.float64))
    if ordered.size <= _MOST_PAIRED:
        return ordered
    return ordered[np.linspace(0, ordered.size - 1, _MOST_PAIRED).round().astype(np.int64)]


def shift(first: Sequence[float], second: Sequence[float]) -> Shift:
    """Return the Hodges-Lehmann estimate of the shift and its distribution-free 95 % interval.

    The interval holds the shifts that the rank-sum test does not reject. Raises ValueError for an empty
    group.
    """
    n, m = len(first), len(second)
    if not n or not m:
        raise ValueError("a shift needs values in both groups")
    pairs = np.sort(np.subtract.outer(_thinned(first), _thinned(second)), axis=None)
    share = _rejected(n, m, 0.025) / (n * m)
    cut = math.floor(share * pairs.size + 1e-9)
    estimate = float(np.median(pairs))
    if cut < 1:
        return Shift(estimate, None, None)
    return Shift(estimate, float(pairs[cut - 1]), float(pairs[-cut]))


def _rejected(n: int, m: int, tail: float) -> int:
    """Return k such that the k-th smallest and k-th greatest difference bound the shift; 0 when none do."""
    if n + m <= EXACT_UP_TO:
        counts = _subset_sums(np.arange(1, n + m + 1, dtype=np.int64), n)[n * (n + 1) // 2 :]
        below = np.cumsum(counts) / math.comb(n + m, n)
        return int((below <= tail).sum())
    z = NormalDist().inv_cdf(1 - tail)
    return max(0, math.floor(n * m / 2 - z * math.sqrt(n * m * (n + m + 1) / 12)))


def trend_probability(values: Sequence[float]) -> float:
    """Return the two-sided probability of so much rise or fall in a sequence whose order means nothing.

    Mann-Kendall: exact without equal values up to EXACT_UP_TO, else normal with the corrections. 1.0 for
    fewer than two values.
    """
    series = np.asarray(values, dtype=np.float64)
    n = series.size
    if n < 2:  # noqa: PLR2004 - one value has no order
        return 1.0
    score = abs(int(np.triu(np.sign(series[None, :] - series[:, None]), 1).sum()))
    ties = np.unique(series, return_counts=True)[1]
    if n <= EXACT_UP_TO and ties.max() == 1:
        pairs = n * (n - 1) // 2
        counts = _inversions(n)
        far = np.abs(pairs - 2 * np.arange(counts.size)) >= score
        return float(min(1.0, counts[far].sum()))
    spread = (n * (n - 1) * (2 * n + 5) - float((ties * (ties - 1) * (2 * ties + 5)).sum())) / 18
    if spread <= 0:
        return 1.0
    return 2 * NormalDist().cdf(-max(score - 1, 0) / math.sqrt(spread))


def _inversions(n: int) -> Numbers:
    """Return the share of the orders of n values with 0, 1, 2 … pairs out of order."""
    shares = np.ones(1)
    for size in range(2, n + 1):
        shares = np.convolve(shares, np.full(size, 1 / size))
    return shares


def slope(times: Sequence[float], values: Sequence[float]) -> float:
    """Return the median of the slopes of all pairs (Theil-Sen), per unit of time; 0 when there is none."""
    t, v = np.asarray(times, dtype=np.float64), np.asarray(values, dtype=np.float64)
    i, j = np.triu_indices(t.size, 1)
    apart = t[j] != t[i]
    slopes = (v[j] - v[i])[apart] / (t[j] - t[i])[apart]
    return float(np.median(slopes)) if slopes.size else 0.0


def holm(probabilities: Sequence[float]) -> list[float]:
    """Return the probabilities adjusted for having asked so often: below 0.05 still means 5 % in all."""
    adjusted = [1.0] * len(probabilities)
    worst = 0.0
    order = sorted(range(len(probabilities)), key=lambda number: probabilities[number])
    for turn, number in enumerate(order):
        worst = max(worst, min(1.0, probabilities[number] * (len(order) - turn)))
        adjusted[number] = worst
    return adjusted
