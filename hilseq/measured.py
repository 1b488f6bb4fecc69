"""A measured value: number, unit and standard uncertainty, and the arithmetic that keeps the three together."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Self

from hilseq.analysis.uncertainty import (
    TWO_SIGMA,
    Term,
    combine,
    coverage_factor,
    expanded_of,
    together,
    type_a,
    welch_satterthwaite,
)
from hilseq.quantities import UNITS, base_unit, dimension_of

_TEMPERATURE, _DIFFERENCE = "temperature", "temperature difference"


@dataclass(frozen=True, slots=True)
class Measured:
    """One value as an instrument gave it.

    `value` and `standard_uncertainty` (k = 1) are in `unit`; `degrees_of_freedom` belong to the
    uncertainty (infinite when it comes from the instrument's accuracy alone). `terms` are what it is made of, where
    that is known (`Measured.of`).

    Measured values are added, subtracted, and multiplied or divided by a plain number. A sum is in the base
    unit of its dimension. The uncertainties of two values are taken as independent and add in quadrature
    (GUM 5.1.2), the degrees of freedom by Welch and Satterthwaite (GUM G.4.1); what two readings of one
    instrument share is added in a sum, and cancels in a difference as far as its calibration states (GUM 5.2.2,
    `together`). Two temperatures can be
    subtracted, which gives kelvins, not added. Arithmetic raises ValueError when the units do not fit.
    """

    value: float
    unit: str
    standard_uncertainty: float = 0.0
    degrees_of_freedom: float = math.inf
    terms: tuple[Term, ...] = field(default=(), compare=False)

    @classmethod
    def of(cls, value: float, unit: str, *terms: Term) -> Self:
        """Return a value with its budget: independent terms (GUM 5.1.2), in `unit`."""
        parts = [term.value for term in terms]
        degrees = welch_satterthwaite(parts, [term.degrees_of_freedom for term in terms])
        return cls(value, unit, combine(parts), max(1.0, degrees), terms)

    @property
    def budget(self) -> tuple[Term, ...]:
        """The terms of its uncertainty; where none were given, the whole is one."""
        if self.terms or self.standard_uncertainty == 0.0:
            return self.terms
        return (Term("combined", self.standard_uncertainty, "normal", self.degrees_of_freedom),)

    @property
    def expanded_uncertainty(self) -> float:
        """U in `unit`: k = 2, with Student's factor for terms of few degrees of freedom (JCGM 100, G.3)."""
        return expanded_of(self.budget)

    @property
    def scatter_is_known(self) -> bool:
        """Whether repeats stand behind it."""
        return any(term.degrees_of_freedom < math.inf for term in self.budget)

    def in_base_unit(self) -> Self:
        """Return the same in the base unit of its dimension: 12 mA is 0.012 A."""
        unit, factor = base_unit(self.unit)
        return type(self)(
            self.value * factor,
            unit,
            self.standard_uncertainty * factor,
            self.degrees_of_freedom,
            tuple(term * factor for term in self.terms),
        )

    def __add__(self, other: Measured) -> Self:
        if not isinstance(other, Measured):
            return NotImplemented
        dimensions = dimension_of(self.unit), dimension_of(other.unit)
        if dimensions == (_DIFFERENCE, _TEMPERATURE):
            return self._joined(other, +1.0, base_unit(other.unit)[0])
        if dimensions == (_TEMPERATURE, _DIFFERENCE) or (
            dimensions[0] == dimensions[1] and dimensions[0] != _TEMPERATURE
        ):
            return self._joined(other, +1.0, base_unit(self.unit)[0])
        raise ValueError(f"{_shown(other)} cannot be added to {_shown(self)}")

    def __sub__(self, other: Measured) -> Self:
        if not isinstance(other, Measured):
            return NotImplemented
        dimensions = dimension_of(self.unit), dimension_of(other.unit)
        if dimensions == (_TEMPERATURE, _TEMPERATURE):
            return self._joined(other, -1.0, UNITS[_DIFFERENCE][0])
        if dimensions == (_TEMPERATURE, _DIFFERENCE) or dimensions[0] == dimensions[1]:
            return self._joined(other, -1.0, base_unit(self.unit)[0])
        raise ValueError(f"{_shown(other)} cannot be subtracted from {_shown(self)}")

    def __mul__(self, factor: float) -> Self:
        if not isinstance(factor, int | float):
            return NotImplemented
        if dimension_of(self.unit) == _TEMPERATURE:
            raise ValueError(f"{_shown(self)} is a temperature; only a difference of two can be multiplied")
        return replace(
            self,
            value=self.value * factor,
            standard_uncertainty=self.standard_uncertainty * abs(factor),
            terms=tuple(term * factor for term in self.terms),
        )

    __rmul__ = __mul__

    def __truediv__(self, divisor: float) -> Self:
        return self * (1.0 / divisor) if isinstance(divisor, int | float) else NotImplemented

    def __neg__(self) -> Self:
        return self * -1.0

    def _joined(self, other: Measured, sign: float, unit: str) -> Self:
        one, two = self.in_base_unit(), other.in_base_unit()
        terms = together([*one.budget, *(term * sign for term in two.budget)])
        return type(self).of(one.value + sign * two.value, unit, *terms)


def repeat(measure: Callable[[], Measured], count: int) -> Measured:
    """Measure `count` times (at least 2) and return the mean with what is known of it (`averaged`)."""
    return averaged([measure() for _ in range(count)])


def hardest(readings: Iterable[Measured], most: float) -> Measured:
    """Return the one of several readings that is hardest to judge by an upper limit, in their unit.

    One that is surely beyond it, else the one that may be largest, which need not have the largest value.
    """
    several = list(readings)
    beyond = [each for each in several if each.value - each.expanded_uncertainty > most]
    return max(beyond or several, key=lambda each: each.value + each.expanded_uncertainty)


def averaged(readings: Sequence[Measured], share: float = 1.0) -> Measured:
    """Return the mean of readings of one quantity with what is known of it.

    The scatter of the mean (type A, GUM 4.2.3) and the instrument's own uncertainty (type B, which no number
    of repeats makes smaller: its largest is taken) are added in quadrature; the effective degrees of freedom
    are those of Welch and Satterthwaite (GUM G.4.1). Raises ValueError for fewer than 2 repeats.

    Who looks at more readings until they allow a decision errs at each look: the scatter is widened so that this one
    errs by at most a `share` of what a single one may. The instrument's own error is the same at every look.
    """
    scatter = type_a([reading.value for reading in readings])
    instrument = max(readings, key=lambda reading: reading.standard_uncertainty)
    degrees = float(scatter.degrees_of_freedom)
    wider = coverage_factor(degrees, 1.0 - (1.0 - TWO_SIGMA) * share) / coverage_factor(degrees)
    mean = Term(
        "scatter of the mean",
        wider * scatter.standard_uncertainty,
        "t",
        degrees,
        f"{len(readings)} readings",
    )
    lasting = [term for term in instrument.budget if not term.scatters]
    return Measured.of(scatter.mean, instrument.unit, mean, *lasting)


def _shown(measured: Measured) -> str:
    return f"{measured.value:g} {measured.unit}".strip()
