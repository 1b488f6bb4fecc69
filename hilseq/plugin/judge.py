"""`judge`: records a reading against its limits, and fails the check in words a technician understands.

A reading too near a limit for this stand fails nothing: the check goes on, and when nothing else fails it is not
performed, with what the stand would need.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from hilseq.analysis.limits import (
    DecisionRule,
    Limits,
    ReadingVerdict,
    conformance_probability,
    decide,
)
from hilseq.errors import NotResolvable, UnitFault
from hilseq.journal.entries import Reading
from hilseq.measured import Measured
from hilseq.reports.formatting import scale, show_limits, show_value
from hilseq.statements import compared


class Judge:
    """Judges the readings of one check by one decision rule.

    `note` receives each reading, which is of `check` of the unit in `slot`, at `place` unless it names another. Call
    it with a name, what was measured and the limits; it raises UnitFault when the reading fails.
    """

    def __init__(
        self, rule: DecisionRule, note: Callable[[Reading], None], *, check: str, slot: str, place: str
    ) -> None:
        self._rule = rule
        self._check, self._slot, self._place = check, slot, place
        self._note = note

    def __call__(
        self, name: str, measured: Measured, limits: Limits, *, place: str | None = None
    ) -> ReadingVerdict:
        """Record the reading. Raises UnitFault (with `place`, else the check's own) when it fails."""
        reading = self.record(name, measured, limits, place=place)
        if reading.verdict is ReadingVerdict.FAILS:
            raise UnitFault(
                f"{reading.name} is {show_value(reading)}, outside its limits ({show_limits(reading)})",
                place=place,
            )
        return reading.verdict

    def record(self, name: str, measured: Measured, limits: Limits, *, place: str | None = None) -> Reading:
        """Record the reading, in its base unit, and return it without failing the check.

        Limits are in base units (A, V, s), so what was measured in mA or mV is brought there first, here and
        nowhere else. A share stays in ppm or %, with its limits: nobody says 0.0001.
        """
        compared()
        if not isinstance(measured, Measured):
            raise TypeError(
                f"{name!r} is judged by {measured!r}, which has no unit and no uncertainty; expected "
                'hilseq.Measured(value, "V", standard_uncertainty)'
            )
        if measured.unit not in ("ppm", "%"):
            measured = measured.in_base_unit()
        uncertainty = measured.expanded_uncertainty
        reading = Reading(
            check=self._check,
            slot=self._slot,
            name=name,
            value=measured.value,
            unit=measured.unit,
            uncertainty=uncertainty,
            low=limits.low,
            high=limits.high,
            verdict=decide(measured.value, uncertainty, limits, self._rule),
            probability=conformance_probability(measured.value, measured.standard_uncertainty, limits),
            place=place or self._place,
            rule=self._rule,
        )
        self._note(reading)
        return reading


def require_resolved(readings: Sequence[Reading]) -> None:
    """Raise NotResolvable for the readings that are too near a limit, with what the stand would need for each."""
    near = [reading for reading in readings if reading.verdict is ReadingVerdict.MARGINAL]
    if near:
        places = dict.fromkeys(reading.place for reading in near)
        raise NotResolvable("; ".join(_too_near(reading) for reading in near), places=tuple(places))


def _too_near(reading: Reading) -> str:
    shown, room = scale(reading), abs(Limits(reading.low, reading.high).margin(float(reading.value)))
    needed = f"it takes \u00b1 {room * shown.factor:.2g} {shown.unit}".rstrip()
    return (
        f"{reading.name} is {show_value(reading)}, so near its limits ({show_limits(reading)}) that this stand "
        f"cannot tell: {needed if room > 0.0 else 'no stand can'}"
    )
