"""Readings that must agree: published examples of gross errors in flows, and random single faults of a bench."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping

import pytest

from hilseq.analysis.agreement import Equation, Explanation, agreement, remaining, weigh

#: Six flows of a network (splitter, exchanger, bypass valve, mixer), each measured with a standard uncertainty of 1:
#: S. Narasimhan, C. Jordache, Data Reconciliation and Gross Error Detection (2000), ch. 1; true flows 100, 64, 36.
MEASURED = (101.91, 64.45, 34.65, 64.20, 36.44, 98.88)
#: x2 = x4, x3 = x5, x1 = x2 + x3, x6 = x4 + x5: two flows make all six.
_FLOWS: tuple[Mapping[str, float], ...] = (
    {"a": 1.0, "b": 1.0},
    {"a": 1.0},
    {"b": 1.0},
    {"a": 1.0},
    {"b": 1.0},
    {"a": 1.0, "b": 1.0},
)


def _flows(gross: float) -> list[Equation]:
    """The example with a gross error on stream 2."""
    values = [value + gross * (number == 1) for number, value in enumerate(MEASURED)]
    return [
        Equation(f"x{number}", value, 1.0, terms)
        for number, (value, terms) in enumerate(zip(values, _FLOWS, strict=True), 1)
    ]


def _adds(name: str) -> Callable[[float], Mapping[str, float]]:
    return lambda size: {name: size}


def _biases() -> list[Explanation]:
    return [Explanation((f"x{n}",), True, "", _adds(f"x{n}"), -60.0, 60.0) for n in range(1, 7)]


def test_the_sum_of_squares_is_that_of_the_published_example() -> None:
    """Chapter 1: 6.4075 with four constraints, p 0.1707 (recomputed); adjustments 1.69 -0.05 -1.07 -0.30 0.72 -1.34."""
    found = agreement(_flows(0.0))
    assert found.chi_square == pytest.approx(6.4075, abs=5e-5)
    assert found.degrees == 4
    assert found.probability == pytest.approx(0.1707, abs=5e-5)
    assert list(found.residuals.values()) == pytest.approx([1.69, -0.05, -1.07, -0.30, 0.72, -1.34], abs=5e-3)


@pytest.mark.parametrize(
    ("gross", "chi_square", "estimated"), [(4.0, 16.674167, 3.925), (9.0, 59.5075, 8.925)]
)
def test_a_gross_error_is_found_and_estimated(gross: float, chi_square: float, estimated: float) -> None:
    """Chapter 7 prints 16.674 for +4 on stream 2; bias 3.925, and for +9 59.5075 and 8.925 (recomputed)."""
    found = agreement(_flows(gross))
    assert found.chi_square == pytest.approx(chi_square, abs=5e-5)
    best = weigh(_flows(gross), _biases())[0]
    assert best.explanation.places == ("x2",)
    assert best.size == pytest.approx(estimated, abs=1e-4)


def test_each_gross_error_lowers_the_sum_by_its_likelihood_ratio() -> None:
    """The likelihood ratios of the six streams with +4 on stream 2 (same book, ch. 7; recomputed)."""
    everything = agreement(_flows(4.0)).chi_square
    gained = {
        one.explanation.places[0]: everything - one.agreement.chi_square
        for one in weigh(_flows(4.0), _biases())
    }
    assert [gained[f"x{n}"] for n in range(1, 7)] == pytest.approx(
        [1.5708, 10.2704, 0.2440, 4.0017, 2.8843, 6.0401], abs=1e-4
    )


def test_what_two_faults_explain_alike_stays_ambiguous() -> None:
    """A level that one channel alone reads may be its own or the unit's: each has half of the probability."""
    readings = [
        Equation("level", 21.0, 0.02, {"level": 1.0}),
        Equation("claimed", 24.0, 0.1, {"level": 1.0}),
    ]
    causes = [
        Explanation(("v05",), True, "its gain", _adds("level"), -24.0, 24.0),
        Explanation(("q05",), False, "its drop", _adds("level"), -24.0, 0.0),
    ]
    found = weigh(readings, causes)
    assert [one.probability for one in found] == pytest.approx([0.5, 0.5], abs=1e-6)
    assert len(remaining(found)) == 2
    higher = [Equation("level", 27.0, 0.02, {"level": 1.0}), readings[1]]
    (only,) = remaining(weigh(higher, causes))
    assert only.explanation.places == ("v05",), "no output gives more than its supply"


def test_two_faults_at_once_are_not_put_down_to_one() -> None:
    """Where no single fault makes everything agree, none remains."""
    readings = _flows(0.0)
    broken = [
        Equation(e.name, e.value + shift, e.uncertainty, e.terms)
        for e, shift in zip(readings, (0.0, 25.0, -31.0, 0.0, 0.0, 0.0), strict=True)
    ]
    assert remaining(weigh(broken, _biases())) == []


def test_random_single_faults_are_among_what_remains() -> None:
    """Of 100 random biases of 6 to 40 uncertainties, the true one remains, and most often alone.

    Of two flows six readings are taken, so that a true one must be distinguished from its twin by the rest.
    """
    chance, kept, alone = random.Random(16), 0, 0
    for _ in range(100):
        true = {"a": chance.uniform(20, 90), "b": chance.uniform(20, 90)}
        wrong = chance.randrange(6)
        size = chance.choice((-1, 1)) * chance.uniform(6, 40)
        readings = [
            Equation(
                f"x{n + 1}",
                sum(true[u] * m for u, m in terms.items()) + chance.gauss(0.0, 1.0) + size * (n == wrong),
                1.0,
                terms,
            )
            for n, terms in enumerate(_FLOWS)
        ]
        left = {one.explanation.places[0] for one in remaining(weigh(readings, _biases()))}
        kept += f"x{wrong + 1}" in left
        alone += left == {f"x{wrong + 1}"}
    assert kept >= 98
    assert alone >= 90


def test_no_reading_at_all_is_refused() -> None:
    """Nothing agrees with nothing."""
    with pytest.raises(ValueError, match="no equation"):
        agreement([])
