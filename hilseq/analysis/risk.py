"""Global consumer's and producer's risk: how often a decision rule is wrong over a whole population.

A normal population of units is measured with normal errors; what share is accepted though it does not
conform (consumer's risk), or rejected though it does (producer's risk)? All values are in the same unit.

Source: JCGM 106:2012 clause 9.5, equations for the global risks (clause number from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from hilseq.analysis.limits import Limits, conformance_probability

#: The population is cut off this many standard deviations from its mean: 1e-19 of it is lost.
_REACH = 9.0
#: Gauss-Legendre points per panel; panels are at most one deviation of population or error wide near a limit.
_POINTS = 20
#: Where the acceptance probability bends, in standard uncertainties from an acceptance limit.
_BENDS = (-9.0, -6.0, -4.0, -2.5, -1.25, 0.0, 1.25, 2.5, 4.0, 6.0, 9.0)


@dataclass(frozen=True, slots=True)
class Risks:
    """Shares of the population, 0 to 1: conforming, wrongly accepted, and wrongly rejected."""

    conforming: float
    consumer: float
    producer: float


def global_risks(
    mean: float,
    deviation: float,
    measurement_uncertainty: float,
    tolerance: Limits,
    acceptance: Limits | None,
) -> Risks:
    """Return the global risks of accepting what is measured inside `acceptance`.

    `mean` and `deviation` (standard deviation) describe the population, `measurement_uncertainty` is the
    standard uncertainty of one measurement. `acceptance` None accepts nothing, as when guard bands meet.
    Raises ValueError when the deviation is not above zero or another value is not finite.
    """
    if not (math.isfinite(deviation) and deviation > 0.0):
        raise ValueError(f"population deviation {deviation!r}; expected a finite number above zero")
    if not math.isfinite(mean):
        raise ValueError(f"population mean {mean!r}; expected a finite number")
    conforming = conformance_probability(mean, deviation, tolerance)
    if acceptance is None:
        return Risks(conforming, 0.0, conforming)
    from numpy.polynomial.legendre import leggauss

    nodes, weights = (array.tolist() for array in leggauss(_POINTS))
    consumer = producer = 0.0
    edges = _edges(mean, deviation, measurement_uncertainty, tolerance, acceptance)
    for left, right in pairwise(edges):
        middle, half = 0.5 * (left + right), 0.5 * (right - left)
        conforms = middle in tolerance  # every limit is an edge, so a panel lies on one side of it
        for node, weight in zip(nodes, weights, strict=True):
            true_value = middle + half * node
            accepted = conformance_probability(true_value, measurement_uncertainty, acceptance)
            z = (true_value - mean) / deviation
            mass = weight * half * math.exp(-0.5 * z * z) / (deviation * math.sqrt(2.0 * math.pi))
            if conforms:
                producer += mass * (1.0 - accepted)
            else:
                consumer += mass * accepted
    return Risks(conforming, consumer, producer)


def _edges(
    mean: float, deviation: float, uncertainty: float, tolerance: Limits, acceptance: Limits
) -> list[float]:
    """Return the panel edges of the quadrature: the integrand is smooth, and well resolved, between them."""
    low, high = mean - _REACH * deviation, mean + _REACH * deviation
    cuts = {mean + step * deviation for step in range(-int(_REACH), int(_REACH) + 1)}
    cuts.update(end for end in (tolerance.low, tolerance.high) if end is not None)
    for end in (acceptance.low, acceptance.high):
        if end is not None:
            cuts.update(end + bend * uncertainty for bend in _BENDS)
    return sorted({low, high, *(cut for cut in cuts if low < cut < high)})
