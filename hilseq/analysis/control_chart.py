"""Control charts of single values: limits, rules that call a point strange, and capability.

For readings of one kind over many units (idle current at intake, say), so that a stand that shifts is
seen before it fails good units. Individuals and moving range chart: limits mean +- 2.66 * mean moving
range, and 3.267 * mean moving range (NIST/SEMATECH e-Handbook 6.3.2.2, from memory; the constants are
3/d2 and 1 + 3*d3/d2 for ranges of two normal values, recomputed in the tests). Rules: Western Electric
Statistical Quality Control Handbook (1956) and Nelson (Journal of Quality Technology, 1984), both from
memory.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean

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
