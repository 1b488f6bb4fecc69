"""Limits, guard bands and the three verdicts of a reading."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import ndtr

from hilseq.analysis import limits as lim
from hilseq.analysis.limits import Limits, ReadingVerdict
from hilseq.analysis.uncertainty import DecisionRule, Term

CONFORMS, MARGINAL, FAILS = ReadingVerdict.CONFORMS, ReadingVerdict.MARGINAL, ReadingVerdict.FAILS

numbers = st.floats(-1e6, 1e6)
uncertainties = st.floats(0.0, 1e3)


@st.composite
def some_limits(draw: st.DrawFn) -> Limits:
    low, high = sorted((draw(numbers), draw(numbers)))
    return draw(st.sampled_from([Limits(low, high), Limits(low, None), Limits(None, high)]))


@pytest.mark.parametrize(
    ("deviation", "expected"),
    [(0.0017, CONFORMS), (-0.0017, CONFORMS), (0.0025, MARGINAL), (-0.0025, MARGINAL), (0.0041, FAILS)],
)
def test_gauge_example_of_ilac_g8(deviation: float, expected: ReadingVerdict) -> None:
    """MPE 0.003 mm and U 0.001 mm accept up to 0.002 mm (check 6.15, gauge-metrology page on ILAC-G8)."""
    assert lim.decide(deviation, 0.001, Limits(-0.003, 0.003)) is expected


@pytest.mark.parametrize(
    ("value", "rule", "expected"),
    [
        (24.0, "simple", CONFORMS),
        (24.0, "guarded", MARGINAL),
        (23.75, "guarded", CONFORMS),
        (23.76, "guarded", MARGINAL),
        (24.25, "guarded", MARGINAL),
        (24.26, "guarded", FAILS),
        (24.01, "simple", FAILS),
        (20.25, "guarded", CONFORMS),
        (20.24, "guarded", MARGINAL),
        (19.75, "guarded", MARGINAL),
        (19.74, "guarded", FAILS),
        (23.875, "0.5 U", CONFORMS),
        (23.876, "0.5 U", MARGINAL),
        (24.126, "0.5 U", FAILS),
        (23.5, "2 U", CONFORMS),
        (23.51, "2 U", MARGINAL),
    ],
)
def test_verdict_table(value: float, rule: str, expected: ReadingVerdict) -> None:
    """One guard band inside conforms, more than one outside fails, between is marginal (ILAC-G8:09/2019, 4.2.3)."""
    guard = DecisionRule.read(rule).guard_band([Term("accuracy", 0.125)])
    assert lim.decide(value, round(guard, 12), Limits(20.0, 24.0)) is expected


@pytest.mark.parametrize(
    ("rule", "risk"),
    [
        ("3 U", 9.866e-10),
        ("1.5 U", 0.00134990),
        ("guarded", 0.0227501),
        ("0.83 U", 0.0484572),
        ("0.5 U", 0.158655),
        ("simple", 0.5),
    ],
)
def test_the_risk_of_a_share_of_u(rule: str, risk: float) -> None:
    """ILAC-G8:09/2019 table 1, w = r U, with k = 2: the largest specific risk is Phi(-2 r) (recomputed with SciPy)."""
    assert DecisionRule.read(rule).specific_risk == pytest.approx(risk, rel=1e-4)
    assert ndtr(-2.0 * DecisionRule.read(rule).share) == pytest.approx(risk, rel=1e-4)


@pytest.mark.parametrize(
    ("percent", "ratio"),
    [("5", 0.822427), ("2.5", 0.979982), ("2", 1.026874), ("1", 1.163174), ("0.1", 1.545116)],
)
def test_the_guard_band_of_a_wanted_risk(percent: str, ratio: float) -> None:
    """In expanded uncertainties (k = 2): the normal quantile over 2 (JCGM 106:2012, 8.3.2; recomputed with SciPy).

    5 % are the 1.65 u of ISO 14253-1:2017 (from memory).
    """
    rule = DecisionRule.read(f"risk {percent} %")
    assert rule.ratio == pytest.approx(ratio, abs=1e-6)
    assert rule.guard_band([Term("accuracy", 3.0), Term("drift", 4.0)]) == pytest.approx(
        10.0 * ratio, rel=1e-6
    )
    assert rule.specific_risk == pytest.approx(float(percent) / 100.0, rel=1e-9)
    probability = lim.conformance_probability(
        10.0 - rule.guard_band([Term("all", 0.1)]), 0.1, Limits(high=10.0)
    )
    assert 1.0 - probability == pytest.approx(float(percent) / 100.0, rel=1e-6)


def test_few_degrees_of_freedom_widen_the_guard_band_of_a_risk() -> None:
    """Student's quantile at 99 % for 9 degrees of freedom is 2.8214 (table of the t distribution), not 2.3263."""
    rule = DecisionRule.read("risk 1 %")
    assert rule.guard_band([Term("scatter", 1.0, "t", 9.0)]) == pytest.approx(2.8214, abs=5e-5)


@pytest.mark.parametrize("text", ["guarded", "simple", "0.83 U", "risk 1 %", "risk 0.1 %", "1.5 U"])
def test_a_rule_is_written_as_it_is_read(text: str) -> None:
    assert str(DecisionRule.read(text)) == text


@pytest.mark.parametrize(
    "text", ["", "strict", "-1 U", "11 U", "risk 0 %", "risk 50 %", "risk 60 %", "1 u", "nan U"]
)
def test_what_is_no_rule_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="expected"):
        DecisionRule.read(text)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("limits", [Limits(0.0, 1.0), Limits(low=0.0), Limits(high=1.0)])
@pytest.mark.parametrize("guard", [0.0, 0.1])
def test_no_number_always_fails(value: float, limits: Limits, guard: float) -> None:
    """NaN and infinities fail under every rule, even on the open side of one-sided limits."""
    assert lim.decide(value, guard, limits) is FAILS
    assert value not in limits
    assert lim.conformance_probability(value, 1.0, limits) == 0.0


def test_open_end_never_fails() -> None:
    """A one-sided limit says nothing about the other side."""
    assert lim.decide(1e9, 0.1, Limits(low=0.0)) is CONFORMS
    assert lim.decide(-1e9, 0.1, Limits(high=0.0)) is CONFORMS
    assert lim.decide(-1e9, 0.1, Limits(low=0.0)) is FAILS


@given(numbers, uncertainties, some_limits())
def test_a_guarded_verdict_is_that_of_the_simple_rule_or_none(
    value: float, uncertainty: float, limits: Limits
) -> None:
    """Guarding never turns a verdict round: near a limit it makes none, on either side."""
    guarded, simple = (lim.decide(value, guard, limits) for guard in (uncertainty, 0.0))
    assert simple is not MARGINAL
    assert guarded in (simple, MARGINAL)
    assert (guarded is MARGINAL) == (-uncertainty <= limits.margin(value) < uncertainty)


@given(numbers, some_limits(), st.floats(1e-3, 1e3))
def test_guarded_rejection_is_as_sure_as_acceptance(
    value: float, limits: Limits, standard_uncertainty: float
) -> None:
    """What fails by more than 2u is inside with at most 2.275 % (the mirror of ILAC-G8's acceptance; computed)."""
    if lim.decide(value, 2.0 * standard_uncertainty, limits) is FAILS:
        assert lim.conformance_probability(value, standard_uncertainty, limits) <= 0.0227502


@given(numbers, some_limits(), st.floats(1e-3, 1e3))
def test_guarded_acceptance_leaves_at_most_its_promised_risk(
    value: float, limits: Limits, standard_uncertainty: float
) -> None:
    """What conforms by w = 2u is outside with at most 2.275 % per side (check 6.13, ILAC-G8; recomputed)."""
    if lim.decide(value, 2.0 * standard_uncertainty, limits) is CONFORMS:
        sides = 2 if limits.low is not None and limits.high is not None else 1
        risk = 1.0 - lim.conformance_probability(value, standard_uncertainty, limits)
        assert risk <= 0.0227502 * sides


@pytest.mark.parametrize(
    ("multiple", "risk"), [(1.644854, 0.05), (1.96, 0.024998), (2.0, 0.02275), (3.0, 0.00135)]
)
def test_risk_at_the_acceptance_limit(multiple: float, risk: float) -> None:
    """At the edge of a guard band of so many u, that much may be outside (6.13, 6.14; recomputed)."""
    probability = lim.conformance_probability(10.0 - multiple * 0.1, 0.1, Limits(high=10.0))
    assert 1.0 - probability == pytest.approx(risk, abs=3e-6)


@pytest.mark.parametrize(
    ("z", "expected"),
    [
        (0.0, 0.5),
        (1.0, 0.84134),
        (1.2816, 0.90),
        (1.4, 0.91924),
        (1.6449, 0.95),
        (1.96, 0.975),
        (2.0, 0.97725),
        (2.3263, 0.99),
    ],
)
def test_one_sided_conformance_probability(z: float, expected: float) -> None:
    """The normal table of JCGM 106 clause 7.3, from either side (check 6.9; recomputed)."""
    assert lim.conformance_probability(-z, 1.0, Limits(high=0.0)) == pytest.approx(expected, abs=2e-5)
    assert lim.conformance_probability(z, 1.0, Limits(low=0.0)) == pytest.approx(expected, abs=2e-5)


def test_breakdown_voltage_of_jcgm_106() -> None:
    """Estimate -5.47 V, u 0.05 V, limit -5.40 V: 0.92 (check 6.10, JCGM 106, from memory; recomputed)."""
    assert lim.conformance_probability(-5.47, 0.05, Limits(high=-5.40)) == pytest.approx(0.91924, abs=5e-6)


def test_conformance_probability_far_outside_keeps_its_digits() -> None:
    """Twenty u outside is 2.7536e-89 (Gaussian tail, recomputed with scipy.special.ndtr), not 0."""
    for value, limits in ((20.0, Limits(-1e9, 0.0)), (-20.0, Limits(0.0, 1e9))):
        assert lim.conformance_probability(value, 1.0, limits) == pytest.approx(
            2.7536241186e-89, rel=1e-9, abs=0.0
        )


@pytest.mark.parametrize("value", [-9.0, -3.0, -1.0, -0.5, 0.0, 0.3, 1.0, 2.5, 9.0])
def test_conformance_probability_of_narrow_limits(value: float) -> None:
    """Limits two u apart, from either side and inside: scipy.special.ndtr, to nine digits."""
    expected = ndtr(1.0 - abs(value)) - ndtr(-1.0 - abs(value))  # either side alike, without losing digits
    assert lim.conformance_probability(value, 1.0, Limits(-1.0, 1.0)) == pytest.approx(
        expected, rel=1e-9, abs=0.0
    )


@given(numbers, st.floats(0.0, 1e3), some_limits())
def test_conformance_probability_is_a_probability(value: float, u: float, limits: Limits) -> None:
    """It stays between 0 and 1, and is at least one half or so only inside."""
    probability = lim.conformance_probability(value, u, limits)
    assert 0.0 <= probability <= 1.0
    assert value in limits or probability <= 0.5


def test_the_ends_of_limits_are_inside() -> None:
    assert [value in Limits(20.0, 24.0) for value in (19.9, 20.0, 24.0, 24.1)] == [False, True, True, False]
    assert lim.conformance_probability(24.0, 0.0, Limits(20.0, 24.0)) == 1.0


def test_acceptance_limits_shrink_until_nothing_is_left() -> None:
    """One U is taken from each closed end; when they meet, nothing can conform."""
    assert lim.acceptance_limits(Limits(20.0, 24.0), 0.5) == Limits(20.5, 23.5)
    assert lim.acceptance_limits(Limits(20.0, 24.0), 0.0) == Limits(20.0, 24.0)
    assert lim.acceptance_limits(Limits(high=24.0), 0.5) == Limits(high=23.5)
    assert lim.acceptance_limits(Limits(20.0, 24.0), 2.0) == Limits(22.0, 22.0)
    assert lim.acceptance_limits(Limits(20.0, 24.0), 2.1) is None


def test_uncertainty_ratio() -> None:
    """Half a tolerance of 4 V with U 0.5 V is 4:1; one-sided limits have no ratio."""
    assert lim.test_uncertainty_ratio(Limits(20.0, 24.0), 0.5) == 4.0
    assert lim.test_uncertainty_ratio(Limits(20.0, 24.0), 0.25) == 8.0
    assert lim.test_uncertainty_ratio(Limits(20.0, 24.0), 0.0) == math.inf
    assert lim.test_uncertainty_ratio(Limits(low=20.0), 0.5) is None


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (None, None, "expected at least one"),
        (2.0, 1.0, r"2\.0\.\.1\.0; expected the low end first"),
        (math.nan, 1.0, "low limit nan; expected a finite number"),
        (0.0, math.inf, "high limit inf; expected a finite number"),
    ],
)
def test_impossible_limits_are_refused(low: float | None, high: float | None, words: str) -> None:
    """Limits which nothing or everything would satisfy are an error, in words that say why."""
    with pytest.raises(ValueError, match=words):
        Limits(low, high)


@pytest.mark.parametrize("uncertainty", [-0.1, math.nan, math.inf])
def test_impossible_uncertainty_is_refused(uncertainty: float) -> None:
    """No verdict is given with an uncertainty that is none."""
    with pytest.raises(ValueError, match=f"guard band {uncertainty!r}; expected a finite number"):
        lim.decide(1.0, uncertainty, Limits(low=0.0))
    with pytest.raises(ValueError, match=f"uncertainty {uncertainty!r}; expected a finite number"):
        lim.conformance_probability(1.0, uncertainty, Limits(low=0.0))
