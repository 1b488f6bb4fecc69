"""Uncertainty budgets, coverage, and how a result is printed."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.stats import chi2

from hilseq.analysis.uncertainty import (
    DecisionRule,
    Term,
    check_standard,
    combine,
    coverage_factor,
    deviation_factor,
    expanded,
    format_measured,
    largest_error,
    last_digit,
    rectangular,
    resolution,
    type_a,
    welch_satterthwaite,
)

# GUM H.1, end-gauge: contributions in nm and their degrees of freedom, unrounded (checks 6.1 to 6.3,
# inputs seen in public test files citing JCGM 100:2008 H.1). Third term: l_S * 0.1 K * 0.58e-6 / K;
# fourth: l_S * 11.5e-6 / K * 0.029 K.
GAUGE_LENGTH = 50.000623e6
GAUGE = (25.0, 9.7, GAUGE_LENGTH * 0.1 * 0.58e-6, GAUGE_LENGTH * 11.5e-6 * 0.029)
GAUGE_DEGREES = (18.0, 25.6, 50.0, 2.0)


def test_gum_h1_contributions_combine() -> None:
    """The contributions 25, 9.7, 2.9 and 16.7 nm make 31.71 nm (check 6.2, GUM H.1; recomputed)."""
    assert GAUGE[2:] == pytest.approx((2.9000, 16.675), abs=5e-4)
    assert combine(GAUGE) == pytest.approx(31.7106, abs=5e-5)


def test_gum_h1_effective_degrees_of_freedom() -> None:
    """Welch-Satterthwaite gives 16.656 from unrounded inputs (check 6.2, GUM H.1; recomputed)."""
    assert welch_satterthwaite(GAUGE, GAUGE_DEGREES) == pytest.approx(16.656, abs=5e-4)


def test_gum_h1_expanded_uncertainty() -> None:
    """16.656 is cut to 16, and U99 is 92.6 nm, U95 67.2 nm (checks 6.2 and 6.4, GUM H.1; recomputed)."""
    degrees = welch_satterthwaite(GAUGE, GAUGE_DEGREES)
    assert expanded(combine(GAUGE), degrees, 0.99) == pytest.approx(92.62, abs=5e-3)
    assert expanded(combine(GAUGE), degrees, 0.95) == pytest.approx(67.2, abs=0.05)


@pytest.mark.parametrize(
    ("degrees", "probability", "factor"),
    [(16, 0.95, 2.12), (16, 0.9545, 2.17), (16, 0.99, 2.92), (math.inf, 0.9545, 2.00)],
)
def test_gum_table_g2(degrees: float, probability: float, factor: float) -> None:
    """Student factors of GUM table G.2 (check 6.6, public test file quoting it; recomputed)."""
    assert coverage_factor(degrees, probability) == pytest.approx(factor, abs=5e-3)


@pytest.mark.parametrize(
    ("degrees", "factor"),
    [
        (1, 12.706),
        (2, 4.303),
        (3, 3.182),
        (4, 2.776),
        (5, 2.571),
        (9, 2.262),
        (10, 2.228),
        (20, 2.086),
        (50, 2.009),
        (math.inf, 1.95996),
    ],
)
def test_student_factors_at_95_percent(degrees: float, factor: float) -> None:
    """The usual t table (check 6.7; recomputed with SciPy)."""
    assert coverage_factor(degrees, 0.95) == pytest.approx(factor, abs=5e-4)


def test_default_coverage_is_two() -> None:
    """Without more said, U is twice u: the k = 2 of every certificate."""
    assert coverage_factor() == pytest.approx(2.0, abs=1e-12)
    assert expanded(0.004) == pytest.approx(0.008, rel=1e-12)


@given(
    st.lists(st.tuples(st.floats(1e-6, 1e6), st.floats(1.0, 1e6)), min_size=1, max_size=6),
)
def test_effective_degrees_lie_between_their_bounds(terms: list[tuple[float, float]]) -> None:
    """They are never below the smallest of the terms nor above the sum of all (GUM G.4.1 note)."""
    uncertainties, degrees = zip(*terms, strict=True)
    effective = welch_satterthwaite(uncertainties, degrees)
    assert min(degrees) * (1 - 1e-9) <= effective <= sum(degrees) * (1 + 1e-9)


def test_certain_terms_leave_infinite_degrees() -> None:
    """Terms of infinite degrees of freedom, or of no uncertainty, do not limit the knowledge."""
    assert welch_satterthwaite([1.0, 2.0], [math.inf, math.inf]) == math.inf
    assert welch_satterthwaite([0.0, 0.0], [3.0, 4.0]) == math.inf
    assert welch_satterthwaite([0.0, 2.0], [3.0, 7.0]) == pytest.approx(7.0)


def test_rectangular_limit() -> None:
    """A limit of sqrt 3 is a standard uncertainty of 1 (GUM 4.3.7)."""
    assert rectangular(math.sqrt(3.0)) == pytest.approx(1.0)
    assert largest_error(rectangular(0.3)) == pytest.approx(0.3)


def test_a_width_and_a_last_digit() -> None:
    """Anywhere in a width of sqrt 12: 1 (GUM F.2.2.1); a digit that a limit may lie on counts half as much again."""
    assert resolution(math.sqrt(12.0)) == pytest.approx(1.0)
    assert resolution(0.2) == pytest.approx(0.2 / math.sqrt(12.0))
    assert last_digit(0.2) == pytest.approx(1.5 * 0.2 / math.sqrt(12.0))


def test_the_next_value_of_a_check_standard() -> None:
    """Of 1 to 5: mean 3, s = 1.5811, and with 4 degrees of freedom at 5 % t = 2.776: 2.776 x 1.5811 x sqrt(1 + 1/5).

    NIST/SEMATECH e-Handbook 2.2.2.1 (from memory); Student's table, check 6.7.
    """
    mean, beyond = check_standard([1.0, 2.0, 3.0, 4.0, 5.0], 0.05)
    assert mean == pytest.approx(3.0)
    assert beyond == pytest.approx(2.776 * 1.58114 * math.sqrt(1.2), abs=2e-3)


def test_no_guard_band_is_a_rule() -> None:
    """A share of 0 is simple acceptance, and the widest is 10 U (ILAC-G8:09/2019, table 1: r = 0)."""
    assert DecisionRule(0.0) == DecisionRule.SIMPLE
    assert DecisionRule(10.0).ratio == pytest.approx(10.0)


@pytest.mark.parametrize(("degrees", "share"), [(1, 0.9), (4, 0.9545), (22, 0.99)])
def test_a_true_deviation_is_at_most_so_many_times_what_was_seen(degrees: int, share: float) -> None:
    """V s^2 / sigma^2 is chi-square: below v / f^2 it lies in half of the rest (e-Handbook 7.2.3)."""
    factor = deviation_factor(degrees, share)
    assert chi2.cdf(degrees / factor**2, degrees) == pytest.approx(0.5 * (1.0 - share))


@pytest.mark.parametrize(("factor", "opposed"), [(-0.5, True), (0.5, False), (2.0, False), (-1.0, True)])
def test_a_term_goes_the_other_way_with_a_negative_factor(factor: float, opposed: bool) -> None:
    """Its size is never negative; whether it goes with the others or against them is kept beside it."""
    scaled = Term("calibration", 0.4) * factor
    assert scaled.value == pytest.approx(0.4 * abs(factor))
    assert scaled.opposed is opposed


def test_type_a_keeps_digits_beside_a_large_constant() -> None:
    """NIST NumAcc4: mean 10000000.2, sd 0.1 to the digits a double holds (checks 5.25, 5.26)."""
    values = [10000000.2] + [10000000.1, 10000000.3] * 500
    result = type_a(values)
    assert result.mean == pytest.approx(10000000.2, abs=1e-8)
    assert result.standard_deviation == pytest.approx(0.1, rel=1e-8)
    assert result.standard_uncertainty == pytest.approx(0.1 / math.sqrt(1001), rel=1e-8)
    assert result.degrees_of_freedom == 1000


def test_type_a_of_numacc1() -> None:
    """NIST NumAcc1: 10000001, 10000003, 10000002 have mean 10000002 and sd 1 exactly (check 5.25)."""
    result = type_a([10000001.0, 10000003.0, 10000002.0])
    assert (result.mean, result.standard_deviation) == (10000002.0, 1.0)


@pytest.mark.parametrize(
    ("value", "uncertainty", "unit", "text"),
    [
        (11.9961, 0.008, "V", "11.996 V ± 0.008 V"),
        (12.0, 0.0123, "V", "12.000 V ± 0.012 V"),
        (12.0, 0.0033, "V", "12.000 V ± 0.004 V"),  # 0.003 would hide 9 %
        (12.0, 0.0096, "V", "12.000 V ± 0.010 V"),
        (12.0, 0.0296, "V", "12.000 V ± 0.030 V"),
        (123456.0, 1234.0, "V", "123500 V ± 1200 V"),
        (0.001, 1200.0, "V", "0 V ± 1200 V"),
        (-0.0001, 0.008, "V", "0.000 V ± 0.008 V"),
        (-24.05, 0.3, "V", "-24.0 V ± 0.3 V"),
        (1.2341234e9, 3.6e6, "Bd", "1.234e9 Bd ± 0.004e9 Bd"),
        (1.234e-6, 1e-8, "A", "1.234e-6 A ± 0.010e-6 A"),
        (24.0, 0.0, "V", "24 V ± 0 V"),
        (0.0, 0.0, "", "0 ± 0"),
        (-0.0, 0.0, "", "0 ± 0"),
        (24.5, 0.25, "", "24.50 ± 0.25"),
        (24.0, math.nan, "V", "24 V ± unknown"),
        (24.0, math.inf, "V", "24 V ± unknown"),
        (math.nan, 0.1, "V", "nan V"),
        (-math.inf, 0.1, "V", "-inf V"),
        (1e300, 1e-300, "", "1.00000000000000e300 ± 0.00000000000001e300"),
        (12.0, 1e-20, "V", "12.0000000000000 V ± 0.0000000000001 V"),
        (1.7e308, 1e308, "V", "170e306 V ± 100e306 V"),
    ],
)
def test_printed_results(value: float, uncertainty: float, unit: str, text: str) -> None:
    """Results print as a certificate would print them, odd numbers included."""
    assert format_measured(value, uncertainty, unit) == text


@given(
    st.floats(allow_nan=False, allow_infinity=False),
    st.floats(min_value=0.0, exclude_min=True, allow_infinity=False),
)
def test_printed_pair_is_honest(value: float, uncertainty: float) -> None:
    """Both share their last place, the value moves by less than U, and U shrinks by 5 % at most."""
    near, wide = (Decimal(part) for part in format_measured(value, uncertainty).split(" ± "))
    assert near.as_tuple().exponent == wide.as_tuple().exponent
    assert abs(near - Decimal(repr(value))) <= wide / 2
    assert wide >= Decimal(repr(uncertainty)) * Decimal("0.95")


@given(st.floats(-1e6, 1e6), st.floats(1e-3, 1e4))
def test_ordinary_uncertainties_keep_at_most_two_digits(value: float, uncertainty: float) -> None:
    """U keeps two digits at most (GUM 7.2.6), grows by a third at most, and rounding costs the value U/6."""
    assume(abs(value) < 1e9 * uncertainty)
    near, wide = (Decimal(part) for part in format_measured(value, uncertainty).split(" ± "))
    assert len(wide.normalize().as_tuple().digits) <= 2
    assert wide <= Decimal(repr(uncertainty)) * Decimal("1.34")
    assert abs(near - Decimal(repr(value))) <= wide / 6


@pytest.mark.parametrize(
    ("attempt", "words"),
    [
        (lambda: combine([1.0, -2.0]), "standard uncertainty -2.0; expected"),
        (lambda: welch_satterthwaite([1.0], [1.0, 2.0]), "1 uncertainties with 2 degrees"),
        (lambda: welch_satterthwaite([1.0], [0.5]), "degrees of freedom 0.5; expected 1 or more"),
        (lambda: coverage_factor(math.nan), "degrees of freedom nan; expected 1 or more"),
        (lambda: coverage_factor(5, 1.0), "coverage probability 1.0; expected"),
        (lambda: coverage_factor(5, 0.0), "coverage probability 0.0; expected"),
        (lambda: deviation_factor(5, 1.0), "coverage probability 1.0; expected"),
        (lambda: deviation_factor(5, 0.0), "coverage probability 0.0; expected"),
        (lambda: DecisionRule(risk=0.6), "a risk of 60 %; expected"),
        (lambda: DecisionRule(share=10.5), "a guard band of 10.5 U; expected 0 to 10 U"),
        (lambda: DecisionRule.read("x" * 50), "^'x{40}' is no decision rule"),
        (lambda: type_a([1.0]), "1 readings; expected at least 2"),
        (lambda: type_a([1.0, math.inf]), "reading inf; expected a finite number"),
        (lambda: format_measured(1.0, -0.1, "V"), "expanded uncertainty -0.1; expected zero or more"),
    ],
)
def test_nonsense_is_refused_in_words(attempt: object, words: str) -> None:
    """Each impossible input is an error naming the value and what was expected."""
    assert callable(attempt)
    with pytest.raises(ValueError, match=words):
        attempt()
