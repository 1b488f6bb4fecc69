"""Repeats: what they add, and what they cannot make better."""

from __future__ import annotations

import math

import pytest
from scipy.special import stdtrit

from hilseq.analysis.uncertainty import Term
from hilseq.measured import Measured, averaged, repeat


def _readings(values: list[float], uncertainty: float) -> Measured:
    queue = list(values)
    return repeat(lambda: Measured(queue.pop(0), "V", uncertainty), len(values))


def test_scatter_and_instrument_add_in_quadrature() -> None:
    """Mean, s / sqrt n, and the effective degrees of freedom of Welch and Satterthwaite (GUM G.4.1)."""
    found = _readings([10.0, 10.1, 9.9, 10.2, 9.8], 0.02)
    type_a = math.sqrt(0.1 / 4) / math.sqrt(5)
    assert found.value == pytest.approx(10.0)
    assert found.standard_uncertainty == pytest.approx(math.hypot(type_a, 0.02))
    combined = found.standard_uncertainty
    assert found.degrees_of_freedom == pytest.approx(combined**4 / (type_a**4 / 4))


def test_repeats_do_not_improve_the_instrument() -> None:
    """A thousand equal readings are known no better than the instrument itself."""
    found = _readings([5.0] * 1000, 0.03)
    assert found.standard_uncertainty == pytest.approx(0.03)
    assert found.degrees_of_freedom == math.inf


def test_repeats_show_the_scatter_that_a_single_reading_is_reported_of() -> None:
    """A stated repeatability counts for one reading; the scatter of the mean takes its place."""
    accuracy, reported = Term("accuracy", 0.01, "rectangular"), Term("repeatability", 0.05, scatters=True)
    queue = [10.0, 10.1, 9.9, 10.0]
    assert Measured.of(10.0, "V", accuracy, reported).standard_uncertainty == pytest.approx(
        math.hypot(0.01, 0.05)
    )
    found = repeat(lambda: Measured.of(queue.pop(0), "V", accuracy, reported), len(queue))
    assert [term.name for term in found.terms] == ["scatter of the mean", "accuracy"]
    scatter = math.sqrt(0.02 / 3) / 2
    assert found.standard_uncertainty == pytest.approx(math.hypot(0.01, scatter))


def test_one_reading_is_no_repeat() -> None:
    """One reading has no scatter."""
    with pytest.raises(ValueError, match="expected at least 2"):
        _readings([1.0], 0.1)


def test_the_least_known_of_the_repeats_tells_what_the_instrument_knows() -> None:
    """Readings in different ranges are known differently; the mean is known no better than the worst."""
    queue = [Measured(10.0, "V", 0.03), Measured(10.0, "V", 0.01)]
    assert repeat(queue.pop, 2).standard_uncertainty == pytest.approx(0.03)


def test_a_scatter_is_known_of_repeats_alone() -> None:
    """Beside an accuracy that is as good as certain, too."""
    assert _readings([10.0, 10.1], 0.02).scatter_is_known
    assert not Measured(10.0, "V", 0.02).scatter_is_known
    assert not Measured(10.0, "V").scatter_is_known


def test_a_reading_without_terms_is_one_term() -> None:
    """An exact one has none; degrees of freedom are never fewer than those of two readings."""
    (term,) = Measured(10.0, "V", 1.0, 4.0).budget
    assert (term.value, term.degrees_of_freedom) == (1.0, 4.0)
    assert Measured(10.0, "V").budget == ()
    assert Measured.of(10.0, "V", Term("scatter", 0.1, "t", 1.0)).degrees_of_freedom == 1.0


def test_who_looks_again_takes_a_wider_scatter() -> None:
    """By Student's factor for a twentieth of what a single look may err, over that for the whole."""
    readings = [Measured(value, "V") for value in (10.0, 10.1, 9.9, 10.0, 10.05)]
    once, again = averaged(readings).terms[0].value, averaged(readings, 0.05).terms[0].value
    assert again / once == pytest.approx(stdtrit(4, 1 - 0.05 * 0.02275) / stdtrit(4, 1 - 0.02275), rel=1e-3)
