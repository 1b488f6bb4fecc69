"""`judge`: records a reading against its limits, and fails the check in words a technician understands."""

from __future__ import annotations

from collections.abc import Callable

from hilseq.analysis.limits import (
    DecisionRule,
    Limits,
    ReadingVerdict,
    conformance_probability,
    decide,
)
from hilseq.errors import UnitFault
from hilseq.journal.entries import Reading
from hilseq.measured import Measured
from hilseq.reports.formatting import show_limits, show_value

_SENTENCE = {
    ReadingVerdict.FAILS: "{name} is {value}, outside its limits ({limits})",
    ReadingVerdict.MARGINAL: "{name} is {value}, so near its limits ({limits}) that this stand cannot tell",
}


class Judge:
    """Judges the readings of one check by one decision rule.

    `note` receives each reading, which is of `check` of the unit in `slot`, at `place` unless it names another. Call
    it with a name, what was measured and the limits; it raises UnitFault unless the reading conforms.
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
        """Record the reading. Raises UnitFault (with `place`, else the check's own) unless it conforms."""
        reading = self.record(name, measured, limits, place=place)
        if reading.verdict is not ReadingVerdict.CONFORMS:
            raise UnitFault(sentence(reading), place=place)
        return reading.verdict

    def if_resolvable(
        self, name: str, measured: Measured, limits: Limits, *, place: str | None = None
    ) -> None:
        """Judge what another test has shown already, only as far as this stand can tell.

        A reading that is marginal, because the stand is slow or coarse, is neither recorded nor held against
        the unit. Raises UnitFault when the reading is outside its limits by more than its uncertainty.
        """
        sure = decide(measured.value, measured.expanded_uncertainty, limits, DecisionRule.GUARDED)
        beyond = not any(
            value in limits
            for value in (
                measured.value - measured.expanded_uncertainty,
                measured.value,
                measured.value + measured.expanded_uncertainty,
            )
        )
        if sure is ReadingVerdict.CONFORMS or beyond:
            self(name, measured, limits, place=place)

    def record(self, name: str, measured: Measured, limits: Limits, *, place: str | None = None) -> Reading:
        """Record the reading, in its base unit, and return it without failing the check.

        Limits are in base units (A, V, s), so what was measured in mA or mV is brought there first, here and
        nowhere else. A share stays in ppm or %, with its limits: nobody says 0.0001.
        """
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


def sentence(reading: Reading) -> str:
    """Return what a reading that does not conform means, in words."""
    return _SENTENCE[reading.verdict].format(
        name=reading.name, value=show_value(reading), limits=show_limits(reading)
    )
