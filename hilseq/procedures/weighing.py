"""From readings that must agree to whose fault it is that they do not: the unit's, the stand's, or nobody's yet.

The numbers are of `analysis.agreement`. What the stand alone explains is a stand fault; what unit and stand explain
alike blames nobody.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial

from hilseq.analysis.agreement import Equation, Explanation, agreement, remaining, weigh
from hilseq.errors import StandFault, UnitOrHarness
from hilseq.measured import Measured


def decide_side(
    what: str, equations: Sequence[Equation], explanations: Sequence[Explanation], *, beyond: bool = False
) -> list[str]:
    """Return in words that the unit alone explains it, or that nothing does; nothing where there is nothing wrong.

    `beyond` says that something lies beyond its limit, however well known. Raises StandFault, UnitOrHarness.
    """
    if not beyond and agreement(equations).holds:
        return []
    left = remaining(weigh(equations, explanations))
    words = ", ".join(f"{one.explanation.words} ({100 * one.probability:.0f} %)" for one in left)
    of_stand = [one.explanation for one in left if one.explanation.of_stand]
    if not of_stand:
        return [f"{what}: {words or 'no single fault explains its readings'}"]
    places = list(dict.fromkeys(place for one in of_stand for place in one.places))
    if len(of_stand) == len(left):
        raise StandFault(f"{what}: only {words} explains its readings", places=places)
    own = [place for one in left if not one.explanation.of_stand for place in one.explanation.places]
    raise UnitOrHarness(f"{what}: {words} explain its readings alike", places=list(dict.fromkeys(own)))


def scaled(shape: Mapping[str, float]) -> partial[dict[str, float]]:
    """Return the effect of a fault that is so many times a shape."""
    return partial(_times, shape)


def _times(shape: Mapping[str, float], size: float) -> dict[str, float]:
    return {name: size * amount for name, amount in shape.items()}


def above_zero(measured: Measured) -> float:
    """Return the standard uncertainty of a reading as an equation takes it."""
    return max(measured.standard_uncertainty, 1e-9)
