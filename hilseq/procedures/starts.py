"""Every start of a visit pooled: how long the unit takes from power to ready, and how alike it starts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from hilseq.analysis.uncertainty import type_a
from hilseq.errors import NotPerformed
from hilseq.measured import Measured
from hilseq.procedures.unit import Unit

_COLUMNS = ("at s", "voltage V", "without supply s", "time to ready s", "uncertainty s")


@dataclass(frozen=True, slots=True)
class StartTimes:
    """Mean and largest time to ready, s; `spread` is the standard deviation (NaN for a single start)."""

    rows: list[tuple[float, float, float | None, float, float]]
    mean: Measured
    largest: Measured
    spread: float

    def table(self) -> tuple[str, Sequence[str], Sequence[Sequence[Any]]]:
        """Return name, columns and rows of every start."""
        return "time to ready of every start", _COLUMNS, self.rows

    def in_words(self) -> str:
        """Return the distribution in a sentence."""
        if len(self.rows) == 1:
            return f"one start, ready after {self.mean.value:.4g} s"
        return (
            f"{len(self.rows)} starts, ready after {self.mean.value:.4g} s on average, "
            f"{self.largest.value:.4g} s at most, standard deviation {self.spread:.3g} s"
        )


def start_times(unit: Unit) -> StartTimes:
    """Pool every start of the unit that was timed in this visit. Raises NotPerformed when there was none.

    The uncertainty of the mean is that of the scatter (GUM 4.2.3, with its degrees of freedom), and of a
    single look in quadrature: the interval of looking may have met every start alike.
    """
    seen = unit.starts
    if not seen:
        raise NotPerformed("no start of this visit was timed")
    rows = [
        (
            round(start.at, 6),
            start.voltage,
            None if start.off is None else round(start.off, 6),
            round(start.took.value, 6),
            round(start.took.expanded_uncertainty, 6),
        )
        for start in seen
    ]
    largest = max((start.took for start in seen), key=lambda took: took.value)
    if len(seen) == 1:
        return StartTimes(rows, largest, largest, math.nan)
    spread = type_a([start.took.value for start in seen])
    each = max(start.took.standard_uncertainty for start in seen)
    mean = Measured(
        spread.mean, "s", math.hypot(spread.standard_uncertainty, each), float(spread.degrees_of_freedom)
    )
    return StartTimes(rows, mean, largest, spread.standard_deviation)
