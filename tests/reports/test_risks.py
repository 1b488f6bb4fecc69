"""Both risks of a visit in numbers, against the worked example of JCGM 106."""

from __future__ import annotations

import math
from typing import Any

import pytest

from hilseq.analysis.limits import Limits, decide, population_risks
from hilseq.analysis.uncertainty import DecisionRule, Term
from hilseq.journal.entries import CertificateStated, Population, Reading, UncertaintyTerm, UnitUnderTest
from hilseq.journal.run_state import CheckState, UnitState
from hilseq.reports.risks import risk_sentences

#: JCGM 106:2012, 9.5.3: resistors of 1500 Ohm with a standard deviation of 0.12 Ohm, measured with u = 0.04 Ohm.
MEAN, UNITS, MEASURED = 1500.0, 0.12, 0.04
TOLERANCE = Limits(1499.8, 1500.2)
SEEN = math.hypot(UNITS, MEASURED)


def test_units_that_scatter_no_more_than_their_measurement_tell_nothing() -> None:
    assert population_risks(MEAN, MEASURED, MEASURED, TOLERANCE, 0.0) is None


@pytest.mark.parametrize(
    ("rule", "consumer", "producer"),
    [
        ("simple", 0.01894221, 0.03720780),
        ("0.25 U", 0.00987829, 0.06902651),
        ("0.5 U", 0.00433407, 0.11465658),
    ],
)
def test_the_resistors_of_jcgm_106(rule: str, consumer: float, producer: float) -> None:
    """Acceptance limits of 0.20, 0.18 and 0.16 Ohm (JCGM 106:2012, 9.5.3; more digits recomputed with SciPy)."""
    guard = DecisionRule.read(rule).guard_band([Term("meter", MEASURED)])
    found = population_risks(MEAN, SEEN, MEASURED, TOLERANCE, guard)
    assert found is not None
    assert found.consumer == pytest.approx(consumer, abs=2e-7)
    assert found.producer == pytest.approx(producer, abs=2e-7)


def _reading(value: float, rule: str, **fields: Any) -> Reading:
    chosen = DecisionRule.read(rule)
    guard = chosen.guard_band([Term("meter", MEASURED)])
    probability = fields.pop("probability", 0.99)
    return Reading(
        check="c", slot="A", name="resistance", value=value, unit="Ohm", uncertainty=2.0 * MEASURED,
        terms=(UncertaintyTerm(name="meter", value=MEASURED, distribution="normal"),), coverage_factor=2.0,
        low=TOLERANCE.low, high=TOLERANCE.high, verdict=decide(value, guard, TOLERANCE), probability=probability,
        place="r1", rule=chosen,
    )  # fmt: skip


def _unit(*readings: Reading, populations: tuple[Population, ...] = ()) -> UnitState:
    unit = UnitState(UnitUnderTest(slot="A", serial="1", part="P", description=""), readings[0].rule)
    unit.checks.append(CheckState("c", "s", "stage", "title", "A", "r1", gate=False, readings=list(readings)))
    unit.paper = CertificateStated(slot="A", key_readings=("resistance",), populations=populations)
    return unit


def test_without_records_the_risks_are_those_of_the_readings() -> None:
    """The customer's is that of the reading nearest to its limit; the shop's is one more reading's, not accepted.

    At 1500.12, 0.04 of its acceptance limit at 1500.16 inside (1 u): Phi(-1) = 15.87 % (normal table).
    """
    customer, shop, unknown = risk_sentences(
        _unit(_reading(1500.12, "0.5 U", probability=0.97725), _reading(1500.0, "0.5 U"))
    )
    assert "at most 2.3 % for any of 2 accepted readings (resistance at r1)" in customer
    assert "nothing was refused" in shop
    assert "resistance at r1 would not be accepted with 16 %" in shop
    assert "too little about earlier units" in unknown


def test_a_refused_reading_has_its_own_risk_of_the_shop() -> None:
    """At 1500.30 with w = 2 u the true value is inside with Phi(-2.5) = 0.62 % (normal table)."""
    (shop, _) = risk_sentences(_unit(_reading(1500.30, "guarded", probability=0.0062097)))
    assert "at most 0.62 % for any of 1 refused reading (resistance at r1)" in shop


def test_the_records_are_the_prior_where_they_know_the_reading() -> None:
    """The same numbers as the resistors above, in words; another unit of measure tells nothing."""
    known = Population(name="resistance", place="r1", unit="Ohm", mean=MEAN, deviation=SEEN, count=45)
    *_, reported = risk_sentences(_unit(_reading(1500.0, "0.5 U"), populations=(known,)))
    assert "from 45 values or more of each of 1 key reading" in reported
    assert "accepted though outside, at most 0.43 % (resistance at r1)" in reported
    assert "not accepted though inside, at most 11 % (resistance at r1)" in reported
    other = known.model_copy(update={"unit": "mA"})
    assert (
        "too little about earlier units"
        in risk_sentences(_unit(_reading(1500.0, "0.5 U"), populations=(other,)))[-1]
    )
