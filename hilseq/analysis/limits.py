"""Decide whether one reading is inside its limits, given how well the stand can measure, and how often that is wrong.

A reading and its guard band are compared with one-sided or two-sided limits; the decision rule says how wide the guard
band is. All values of one comparison are in the same unit, whichever it is.

Global risks: a normal population of units is measured with normal errors; what share is accepted though it
does not conform (consumer's risk), or rejected though it does (producer's risk)?

Sources: JCGM 106:2012 clauses 7 and 8 (conformance probability, guard bands) and 9.5
(global risks); ILAC-G8:09/2019 clause 4.2. Clause numbers from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise


class ReadingVerdict(StrEnum):
    """What one reading says about the unit."""

    CONFORMS = "conforms"
    MARGINAL = "marginal"  #: nearer to a limit than the guard band, on either side
    FAILS = "fails"


@dataclass(frozen=True, slots=True)
class Limits:
    """A closed tolerance interval; one end may be open (None), but not both.

    Raises ValueError when both ends are open, when an end is not finite, or when low > high.
    """

    low: float | None = None
    high: float | None = None

    def __post_init__(self) -> None:
        if self.low is None and self.high is None:
            raise ValueError("limits without a low and without a high end; expected at least one")
        for name, end in (("low", self.low), ("high", self.high)):
            if end is not None and not math.isfinite(end):
                raise ValueError(f"{name} limit {end!r}; expected a finite number, or None for an open end")
        if self.low is not None and self.high is not None and self.low > self.high:
            raise ValueError(f"limits {self.low!r}..{self.high!r}; expected the low end first")

    def __contains__(self, value: float) -> bool:
        """Return whether the value lies inside, ends included; NaN and infinities never do."""
        return self.margin(value) >= 0.0

    def margin(self, value: float) -> float:
        """Return the distance to the nearest limit: negative outside, -inf for NaN and infinities."""
        if not math.isfinite(value):
            return -math.inf
        below = math.inf if self.high is None else self.high - value
        above = math.inf if self.low is None else value - self.low
        return min(below, above)


def _checked(name: str, uncertainty: float) -> float:
    if not (math.isfinite(uncertainty) and uncertainty >= 0.0):
        raise ValueError(f"{name} {uncertainty!r}; expected a finite number, zero or more")
    return uncertainty


def acceptance_limits(limits: Limits, guard_band: float) -> Limits | None:
    """Return the interval in which a reading conforms; None when the guard bands leave no room.

    Raises ValueError when the guard band is negative or not finite.
    """
    width = _checked("guard band", guard_band)
    low = None if limits.low is None else limits.low + width
    high = None if limits.high is None else limits.high - width
    return None if low is not None and high is not None and low > high else Limits(low, high)


def decide(value: float, guard_band: float, limits: Limits) -> ReadingVerdict:
    """Return what a reading says: inside by at least the guard band conforms, outside by more fails, else marginal.

    Acceptance and rejection are guarded alike (ILAC-G8 4.2.3, non-binary statement: conditional pass and
    conditional fail are both marginal here): a finding is made only where the true value is outside for certain.
    A NaN or infinite value fails under every rule. Raises ValueError when the guard band is negative or not finite.
    """
    width = _checked("guard band", guard_band)
    margin = limits.margin(value)
    if margin >= width:
        return ReadingVerdict.CONFORMS
    return ReadingVerdict.FAILS if margin < -width else ReadingVerdict.MARGINAL


def conformance_probability(value: float, standard_uncertainty: float, limits: Limits) -> float:
    """Return the probability that the true value lies inside the limits, given the reading.

    Normal model, no prior knowledge (JCGM 106 clause 7.2): Phi((high-y)/u) - Phi((low-y)/u). A NaN or
    infinite value conforms with probability 0. Raises ValueError when u is negative or not finite.
    """
    u = _checked("standard uncertainty", standard_uncertainty)
    if not math.isfinite(value):
        return 0.0
    if u == 0.0:
        return 1.0 if value in limits else 0.0
    to_low = -math.inf if limits.low is None else (limits.low - value) / u
    to_high = math.inf if limits.high is None else (limits.high - value) / u
    # From the side with the smaller tails: 1 - tail would lose them.
    side = math.copysign(1.0, to_low + to_high)
    return abs(_upper_tail(side * to_low) - _upper_tail(side * to_high))


def _upper_tail(z: float) -> float:
    """Return 1 - Phi(z) of the standard normal distribution, accurate far out in the tail."""
    return 0.5 * math.erfc(z / math.sqrt(2.0))


def test_uncertainty_ratio(limits: Limits, expanded_uncertainty: float) -> float | None:
    """Return half the tolerance over U (k = 2), so 4 for the classic 4:1; inf when U is 0.

    None for one-sided limits, where there is no tolerance to compare with. Raises ValueError when the
    uncertainty is negative or not finite.
    """
    width = _checked("expanded uncertainty", expanded_uncertainty)
    if limits.low is None or limits.high is None:
        return None
    return math.inf if width == 0.0 else (limits.high - limits.low) / (2.0 * width)


#: The population is cut off this many standard deviations from its mean: 1e-19 of it is lost.
_REACH = 9.0
#: Gauss-Legendre points per panel; panels are at most one deviation of the population wide, and one of the error near
#: an acceptance limit, where the acceptance probability bends.
_POINTS = 20


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


def population_risks(
    mean: float, seen: float, measurement_uncertainty: float, tolerance: Limits, guard_band: float
) -> Risks | None:
    """Return the global risks of a rule if units are as earlier readings say: normal, with their mean.

    `seen` is the standard deviation of those readings; that of the units is what is left of it without the
    measurement's (a standard uncertainty): None where nothing is.
    """
    variance = seen * seen - measurement_uncertainty * measurement_uncertainty
    if not variance > 0.0:
        return None
    accepted = acceptance_limits(tolerance, guard_band)
    return global_risks(mean, math.sqrt(variance), measurement_uncertainty, tolerance, accepted)


def _edges(
    mean: float, deviation: float, uncertainty: float, tolerance: Limits, acceptance: Limits
) -> list[float]:
    """Return the panel edges of the quadrature: the integrand is smooth, and well resolved, between them."""
    low, high = mean - _REACH * deviation, mean + _REACH * deviation
    steps = range(-int(_REACH), int(_REACH) + 1)
    cuts = {mean + step * deviation for step in steps}
    cuts.update(end for end in (tolerance.low, tolerance.high) if end is not None)
    for end in (acceptance.low, acceptance.high):
        if end is not None:
            cuts.update(end + step * uncertainty for step in steps)
    return sorted({min(max(cut, low), high) for cut in cuts})
