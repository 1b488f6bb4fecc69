"""Global risks of a decision rule over a population of units."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hilseq.analysis.limits import Limits, Risks, global_risks

# Checks 6.11 and 6.12: JCGM 106 resistor process (inputs from a public Octave script reproducing the
# example; results from memory, recomputed by quadrature): 1500 Ohm, u0 0.12, tolerance +-0.2, um 0.04.
RESISTOR_TOLERANCE = Limits(1499.8, 1500.2)


@pytest.mark.parametrize(
    ("half_width", "consumer", "producer"),
    [(0.18, 0.00988, 0.06903), (0.20, 0.01894, 0.03721), (0.16, 0.00433, 0.11466)],
)
def test_resistor_process_of_jcgm_106(half_width: float, consumer: float, producer: float) -> None:
    """90.44 % of the resistors conform; risks for three acceptance widths (checks 6.11, 6.12)."""
    acceptance = Limits(1500.0 - half_width, 1500.0 + half_width)
    risks = global_risks(1500.0, 0.12, 0.04, RESISTOR_TOLERANCE, acceptance)
    assert risks.conforming == pytest.approx(0.9044, abs=5e-5)
    assert risks.consumer == pytest.approx(consumer, abs=5e-6)
    assert risks.producer == pytest.approx(producer, abs=5e-6)


@pytest.mark.parametrize(
    ("ratio", "accepted", "rejected"), [(4, 0.00858, 0.01554), (2, 0.01337, 0.04178), (10, 0.00406, 0.00516)]
)
def test_four_to_one_and_its_neighbours(ratio: float, accepted: float, rejected: float) -> None:
    """A process 95 % in tolerance, simple acceptance, T/U of 4, 2, 10 with k = 2 (check 6.16, recomputed)."""
    tolerance = Limits(-1.0, 1.0)
    risks = global_risks(0.0, 1.0 / 1.959964, 0.5 / ratio, tolerance, tolerance)
    assert risks.consumer == pytest.approx(accepted, abs=6e-6)
    assert risks.producer == pytest.approx(rejected, abs=6e-6)


def test_one_sided_limit_has_the_closed_form_of_a_bivariate_normal() -> None:
    """At the median with equal deviations each risk is 1/8: arctan(u0/um) is a quarter of its circle."""
    limit = Limits(high=5.0)
    risks = global_risks(5.0, 2.0, 2.0, limit, limit)
    assert risks.conforming == pytest.approx(0.5)
    assert risks.consumer == pytest.approx(0.125, abs=1e-10)
    assert risks.producer == pytest.approx(0.125, abs=1e-10)


@settings(max_examples=30)
@given(
    st.floats(-2.0, 2.0), st.floats(0.05, 5.0), st.floats(0.0, 2.0), st.floats(0.1, 3.0), st.floats(0.0, 0.99)
)
def test_shares_add_up(mean: float, deviation: float, uncertainty: float, width: float, guard: float) -> None:
    """Accepted rightly plus accepted wrongly is what a normal with both variances puts in acceptance."""
    acceptance = Limits(-width * (1 - guard), width * (1 - guard))
    risks = global_risks(mean, deviation, uncertainty, Limits(-width, width), acceptance)
    both = math.hypot(deviation, uncertainty) * math.sqrt(2.0)
    edge = width * (1 - guard)
    accepted = 0.5 * (math.erf((edge - mean) / both) - math.erf((-edge - mean) / both))
    assert risks.conforming - risks.producer + risks.consumer == pytest.approx(accepted, abs=1e-9)


def test_perfect_measurement_takes_no_risk() -> None:
    """Without measurement uncertainty, only a wider acceptance lets bad units through."""
    tolerance = Limits(-1.0, 1.0)
    risks = global_risks(0.0, 1.0, 0.0, tolerance, tolerance)
    assert (risks.consumer, risks.producer) == (0.0, 0.0)
    wide = global_risks(0.0, 1.0, 0.0, tolerance, Limits(-2.0, 2.0))
    assert wide.consumer == pytest.approx(math.erf(math.sqrt(2.0)) - math.erf(math.sqrt(0.5)), abs=1e-10)


def test_accepting_nothing_rejects_every_good_unit() -> None:
    """When guard bands leave no room, the consumer is safe and the producer loses all."""
    risks = global_risks(1500.0, 0.12, 0.04, RESISTOR_TOLERANCE, None)
    assert risks == Risks(risks.conforming, 0.0, risks.conforming)


@pytest.mark.parametrize(
    ("mean", "deviation", "uncertainty", "words"),
    [
        (0.0, 0.0, 1.0, r"population deviation 0\.0; expected"),
        (math.nan, 1.0, 1.0, "population mean nan; expected"),
        (0.0, 1.0, -1.0, r"standard uncertainty -1\.0; expected"),
    ],
)
def test_impossible_populations_are_refused(
    mean: float, deviation: float, uncertainty: float, words: str
) -> None:
    """No risk is stated for a population or a measurement that cannot be."""
    with pytest.raises(ValueError, match=words):
        global_risks(mean, deviation, uncertainty, Limits(-1.0, 1.0), Limits(-1.0, 1.0))
