"""Measuring several times: what repeats add to the knowledge of a value, and what they cannot."""

from __future__ import annotations

from collections.abc import Callable

from hilseq.analysis.uncertainty import combine, type_a, welch_satterthwaite
from hilseq.measured import Measured


def repeat(measure: Callable[[], Measured], count: int) -> Measured:
    """Measure `count` times (at least 2) and return the mean with what is known of it.

    The scatter of the mean (type A, GUM 4.2.3) and the instrument's own uncertainty (type B, which no number
    of repeats makes smaller: its largest is taken) are added in quadrature; the effective degrees of freedom
    are those of Welch and Satterthwaite (GUM G.4.1). Raises ValueError for fewer than 2 repeats.
    """
    readings = [measure() for _ in range(count)]
    scatter = type_a([reading.value for reading in readings])
    instrument = max(readings, key=lambda reading: reading.standard_uncertainty)
    parts = [scatter.standard_uncertainty, instrument.standard_uncertainty]
    degrees = [float(scatter.degrees_of_freedom), instrument.degrees_of_freedom]
    return Measured(
        scatter.mean, instrument.unit, combine(parts), max(1.0, welch_satterthwaite(parts, degrees))
    )
