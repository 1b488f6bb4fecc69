"""Both risks of a visit as numbers: the customer's (accepted, and outside) and the shop's (inside, and not accepted).

Without prior knowledge of the units each is that of one reading (specific risks; JCGM 106:2012, 9.3); with what the
records know of earlier units it is a share of all units (global risks, 9.5). Clause numbers from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from hilseq.analysis.limits import (
    Limits,
    ReadingVerdict,
    Risks,
    acceptance_limits,
    conformance_probability,
    population_risks,
)
from hilseq.analysis.uncertainty import combine
from hilseq.journal.entries import Population, Reading
from hilseq.journal.run_state import UnitState
from hilseq.reports.formatting import count, finite


@dataclass(frozen=True, slots=True)
class _KnownRisk:
    """The risks of one reading over the units that the records know."""

    reading: Reading
    population: Population
    risks: Risks


def risk_sentences(unit: UnitState) -> list[str]:
    """Return both risks in words: those of the readings alone, and those with the population that the records know."""
    readings = [r for check in unit.checks for r in check.readings if r.probability is not None]
    accepted = [r for r in readings if r.verdict is ReadingVerdict.CONFORMS]
    refused = [r for r in readings if r.verdict is ReadingVerdict.FAILS]
    reported = []
    if accepted:
        worst = max(accepted, key=_outside)
        reported.append(
            f"Risk of the customer (accepted, and outside), without prior knowledge of the units: at most "
            f"{_percent(_outside(worst))} for any of {count(len(accepted), 'accepted reading')} ({_named(worst)})."
        )
    if readings:
        reported.append(
            f"Risk of the shop (inside, and not accepted), without prior knowledge: {_shop(accepted, refused)}."
        )
    reported += _with_prior(unit)
    return reported


def _known_risks(unit: UnitState) -> Iterator[_KnownRisk]:
    """Yield the risks of each reading whose population the records knew when the visit began."""
    known = {} if unit.paper is None else {(one.name, one.place): one for one in unit.paper.populations}
    for check in unit.checks:
        for reading in check.readings:
            population = known.get((reading.name, reading.place))
            found = None if population is None else _global(reading, population)
            if population is not None and found is not None:
                yield _KnownRisk(reading, population, found)


def _global(reading: Reading, population: Population) -> Risks | None:
    uncertainty = _standard(reading)
    if reading.unit != population.unit or not uncertainty:
        return None
    return population_risks(
        population.mean, population.deviation, uncertainty, _limits(reading), reading.guard_band
    )


def _with_prior(unit: UnitState) -> Iterator[str]:
    known = list(_known_risks(unit))
    if not known:
        wanted = unit.paper is not None and unit.paper.key_readings
        if wanted:
            yield "The records hold too little about earlier units to state either risk as a share of all units."
        return
    customer = max(known, key=lambda one: one.risks.consumer)
    shop = max(known, key=lambda one: one.risks.producer)
    fewest = min(one.population.count for one in known)
    yield (
        f"Of all units, estimated from {fewest} values or more of each of {count(len(known), 'key reading')} in the "
        f"records (normal distribution): accepted though outside, at most "
        f"{_percent(customer.risks.consumer)} ({_named(customer.reading)}); not accepted though inside, at most "
        f"{_percent(shop.risks.producer)} ({_named(shop.reading)})."
    )


def _shop(accepted: list[Reading], refused: list[Reading]) -> str:
    parts = []
    if refused:
        worst = max(refused, key=lambda reading: reading.probability or 0.0)
        number = count(len(refused), "refused reading")
        parts.append(f"at most {_percent(worst.probability or 0.0)} for any of {number} ({_named(worst)})")
    else:
        parts.append("nothing was refused")
    if accepted:
        worst = max(accepted, key=_not_again)
        parts.append(
            f"measured once on another stand like this, {_named(worst)} would not be accepted with "
            f"{_percent(_not_again(worst))}, the largest of all accepted readings"
        )
    return "; ".join(parts)


def _outside(reading: Reading) -> float:
    return 1.0 - (reading.probability or 0.0)


def _not_again(reading: Reading) -> float:
    """Return the probability that a unit whose true value is as read is not accepted by one more reading."""
    value, uncertainty = finite(reading.value), _standard(reading)
    accepted = acceptance_limits(_limits(reading), reading.guard_band)
    if value is None or accepted is None:
        return 1.0
    return 1.0 - conformance_probability(value, uncertainty, accepted)


def _standard(reading: Reading) -> float:
    """Return the standard uncertainty of a reading, in its unit; half of U where earlier versions kept no terms."""
    if reading.terms:
        return combine(term.value for term in reading.terms)
    return 0.5 * (reading.uncertainty or 0.0)


def _limits(reading: Reading) -> Limits:
    return Limits(reading.low, reading.high)


def _named(reading: Reading) -> str:
    return f"{reading.name} at {reading.place}" if reading.place else reading.name


def _percent(share: float) -> str:
    return f"{100.0 * share:.2g} %" if share >= _LEAST else f"less than {100.0 * _LEAST:g} %"


#: Smaller risks are not reported in numbers: no error is normal so far out.
_LEAST = 1e-6
