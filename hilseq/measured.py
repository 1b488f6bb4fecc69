"""A measured value: number, unit and standard uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Self

from hilseq.quantities import base_unit


@dataclass(frozen=True, slots=True)
class Measured:
    """One value as an instrument gave it.

    `value` and `standard_uncertainty` (k = 1) are in `unit`; `degrees_of_freedom` belong to the
    uncertainty (infinite when it comes from the instrument's accuracy alone).
    """

    value: float
    unit: str
    standard_uncertainty: float = 0.0
    degrees_of_freedom: float = math.inf

    def in_base_unit(self) -> Self:
        """Return the same in the base unit of its dimension: 12 mA is 0.012 A."""
        unit, factor = base_unit(self.unit)
        return type(self)(
            self.value * factor, unit, self.standard_uncertainty * factor, self.degrees_of_freedom
        )
