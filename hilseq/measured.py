"""A measured value: number, unit and standard uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass


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
