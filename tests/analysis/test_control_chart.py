"""Control charts: constants recomputed, a chart by hand, and one series per rule."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilseq.analysis.drift import (
    INDIVIDUALS_FACTOR,
    RANGE_FACTOR,
    WESTERN_ELECTRIC,
    ChartLimits,
    Rule,
    individuals,
    signals,
)

#: Centre 0, sigma 1: values in the tests below are in sigma.
UNIT = ChartLimits(lower=-3.0, centre=0.0, upper=3.0, mean_range=1.128, upper_range=3.686)


def test_the_constants_are_those_of_the_range_of_two() -> None:
    """2.66 = 3/d2 and 3.267 = 1 + 3 d3/d2, with d2 = 2/sqrt(pi), d3 = sqrt(2 - 4/pi) (recomputed)."""
    d2, d3 = 2.0 / math.sqrt(math.pi), math.sqrt(2.0 - 4.0 / math.pi)
    assert pytest.approx(3.0 / d2, abs=2e-3) == INDIVIDUALS_FACTOR
    assert pytest.approx(1.0 + 3.0 * d3 / d2, abs=5e-4) == RANGE_FACTOR


def test_a_chart_by_hand() -> None:
    """10, 12, 11, 13: mean 11.5, ranges 2, 1, 2 with mean 5/3, limits 11.5 +- 2.66 * 5/3."""
    limits = individuals([10.0, 12.0, 11.0, 13.0])
    assert limits.centre == 11.5
    assert limits.mean_range == pytest.approx(5 / 3)
    assert (limits.lower, limits.upper) == pytest.approx((11.5 - 4.43333, 11.5 + 4.43333), abs=1e-5)
    assert limits.upper_range == pytest.approx(5.445)
    assert limits.sigma == pytest.approx(1.47778, abs=1e-5)


# Each series completes exactly one rule at its last value, and without its last value none.
@pytest.mark.parametrize(
    ("rules", "values", "rule"),
    [
        (WESTERN_ELECTRIC, [0.0, -3.1], "one value beyond 3 sigma"),
        (WESTERN_ELECTRIC, [2.1, 0.0, 2.1], "two of three beyond 2 sigma on one side"),
        (WESTERN_ELECTRIC, [-1.1, -1.1, 0.5, -1.1, -1.1], "four of five beyond 1 sigma on one side"),
        (WESTERN_ELECTRIC, [0.1] * 8, "eight in a row on one side"),
    ],
)
def test_each_rule_is_met_at_the_value_that_completes_it(
    rules: tuple[Rule, ...], values: list[float], rule: str
) -> None:
    """The rule is met once its last value is there, and not before."""
    assert [(found.rule, found.index) for found in signals(values, UNIT, rules)] == [(rule, len(values) - 1)]


@pytest.mark.parametrize(
    "values",
    [
        [2.1, 0.0, -2.1],  # not on one side
        [2.1, 0.0, 0.0, 2.1],  # two of four
        [1.1, 1.1, -1.1, -1.1, 1.1],  # four of five, but on two sides
        [0.1] * 7 + [0.0] + [0.1] * 7,  # broken row
        [3.0],  # on the limit is not beyond it
        [2.1],  # too early for two of three
    ],
)
def test_near_misses_meet_no_rule(values: list[float]) -> None:
    """What only resembles a rule is no signal."""
    assert signals(values, UNIT, WESTERN_ELECTRIC) == ()


def test_a_harmless_value_after_a_signal_is_none() -> None:
    """A rule is reported once, at the value that completed it, not again while that value is still in view."""
    found = signals([2.1, 2.1, 0.5, 0.0], UNIT, WESTERN_ELECTRIC)
    assert [(signal.rule, signal.index) for signal in found] == [
        ("two of three beyond 2 sigma on one side", 1)
    ]


@given(st.lists(st.floats(-5, 5), max_size=40), st.floats(-100, 100), st.floats(0.1, 10))
def test_rules_do_not_depend_on_unit_or_side(values: list[float], centre: float, sigma: float) -> None:
    """Mirrored values meet the same rules; so do they in any unit (away from rounding at the lines)."""
    values = [round(value, 1) + 0.05 for value in values]
    mirrored = [-value for value in values]
    scaled = [centre + sigma * value for value in values]
    limits = ChartLimits(centre - 3 * sigma, centre, centre + 3 * sigma, 1.0, 1.0)
    found = signals(values, UNIT, WESTERN_ELECTRIC)
    assert signals(mirrored, UNIT, WESTERN_ELECTRIC) == found
    assert signals(scaled, limits, WESTERN_ELECTRIC) == found
    assert [s.index for s in found if s.rule.startswith("one value")] == [
        i for i, value in enumerate(values) if abs(value) > 3.0
    ]


def test_what_cannot_be_is_refused() -> None:
    """Too few values, no spread, no limit and limits in the wrong order are errors."""
    with pytest.raises(ValueError, match="chart of 1 values"):
        individuals([1.0])
    with pytest.raises(ValueError, match="expected upper above lower"):
        signals([1.0], individuals([1.0, 1.0]))
