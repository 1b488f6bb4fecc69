"""`judge`: records a reading against its limits, and fails the check in words a technician understands.

A reading too near a limit is measured again, where the sequence says how, and the mean is judged. So is a single one
that is near: nothing is known yet of its scatter, which one look could take for room. One that stays too near for this
stand fails nothing: the check continues; when nothing else fails it is not performed, with what the stand would need.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from hilseq.analysis.limits import (
    Limits,
    ReadingVerdict,
    conformance_probability,
    decide,
)
from hilseq.analysis.uncertainty import DecisionRule, Term, format_measured
from hilseq.description.accuracy import MOST_READINGS
from hilseq.errors import NotResolvable, UnitFault
from hilseq.journal.entries import Reading, UncertaintyTerm
from hilseq.measured import Measured, averaged
from hilseq.reports.formatting import scale, show_limits, show_value
from hilseq.statements import compared

#: How many readings, all taken anew, stand behind each further look at a marginal one. The last is final.
LOOKS = (10, MOST_READINGS)
#: What each of them may add to the risk of a wrong decision, as a share of that of the first look (2.28 % on one side):
#: a tenth for all together, so that it stays below 2.5 % (Bonferroni).
_SHARE = 0.1 / len(LOOKS)
#: Expanded uncertainties beyond the guard band, on either side, from which on a single reading decides: a scatter with
#: the standard deviation of the whole accuracy reaches so far in less than 0.5 %.
CLEAR = 2.0


class Judge:
    """Judges the readings of one check by one decision rule.

    `note` receives each reading, which is of `check` of the unit in `slot`, at `place` unless it names another. Call
    it with a name, what was measured and the limits; it raises UnitFault when the reading fails. `event` receives what
    was measured again. `again` measures the same once more: nothing that happens once, such as an inrush, has it.
    """

    def __init__(
        self,
        rule: DecisionRule,
        note: Callable[[Reading], None],
        event: Callable[[str, str], None],
        *,
        check: str,
        slot: str,
        place: str,
    ) -> None:
        self._rule = rule
        self._check, self._slot, self._place = check, slot, place
        self._note, self._event = note, event

    def __call__(
        self,
        name: str,
        measured: Measured,
        limits: Limits,
        *,
        place: str | None = None,
        again: Callable[[], Measured] | None = None,
    ) -> ReadingVerdict:
        """Record the reading. Raises UnitFault (with `place`, else the check's own) when it fails."""
        reading = self.record(name, measured, limits, place=place, again=again)
        if reading.verdict is ReadingVerdict.FAILS:
            raise UnitFault(
                f"{reading.name} is {show_value(reading)}, outside its limits ({show_limits(reading)})",
                place=place,
            )
        return reading.verdict

    def record(
        self,
        name: str,
        measured: Measured,
        limits: Limits,
        *,
        place: str | None = None,
        again: Callable[[], Measured] | None = None,
    ) -> Reading:
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
        measured = _based(measured)
        if again is not None:
            measured = self._resolved(name, measured, limits, again)
        uncertainty = measured.expanded_uncertainty
        reading = Reading(
            check=self._check,
            slot=self._slot,
            name=name,
            value=measured.value,
            unit=measured.unit,
            uncertainty=uncertainty,
            terms=tuple(_term(term) for term in measured.budget),
            degrees_of_freedom=_finite(measured.degrees_of_freedom),
            coverage_factor=(
                uncertainty / measured.standard_uncertainty if measured.standard_uncertainty > 0.0 else None
            ),
            low=limits.low,
            high=limits.high,
            verdict=self._verdict(measured, limits),
            probability=conformance_probability(measured.value, measured.standard_uncertainty, limits),
            place=place or self._place,
            rule=self._rule,
        )
        self._note(reading)
        return reading

    def _verdict(self, measured: Measured, limits: Limits) -> ReadingVerdict:
        return decide(measured.value, self._rule.guard_band(measured.budget), limits)

    def _resolved(
        self, name: str, measured: Measured, limits: Limits, again: Callable[[], Measured]
    ) -> Measured:
        """Measure anew while the reading is marginal, until it is resolved or at most as often as `LOOKS` says."""
        first, taken = measured, list[Measured]()
        for count in LOOKS:
            decided = self._verdict(measured, limits) is not ReadingVerdict.MARGINAL
            if decided and (taken or self._is_clear(measured, limits)):
                break
            while len(taken) < count:
                taken.append(_based(again()))
            measured = averaged(taken, _SHARE)
        if taken:
            known, now = (
                format_measured(one.value, one.expanded_uncertainty, one.unit) for one in (first, measured)
            )
            self._event(
                "measured again",
                f"{name} was {known}, near its limits; {len(taken)} readings more, their mean {now}",
            )
        return measured

    def _is_clear(self, measured: Measured, limits: Limits) -> bool:
        """Return whether the scatter of a first reading is known, or would have to be out of all proportion."""
        if measured.scatter_is_known:
            return True
        width = self._rule.guard_band(measured.budget)
        beyond = CLEAR * measured.expanded_uncertainty if width > 0.0 else 0.0
        return abs(limits.margin(measured.value)) >= width + beyond


def _term(term: Term) -> UncertaintyTerm:
    degrees = _finite(term.degrees_of_freedom)
    return UncertaintyTerm(
        name=term.name,
        value=term.value,
        distribution=term.distribution,
        degrees_of_freedom=degrees,
        source=term.source,
    )


def _finite(degrees: float) -> float | None:
    return degrees if math.isfinite(degrees) else None


def _based(measured: Measured) -> Measured:
    return measured if measured.unit in ("ppm", "%") else measured.in_base_unit()


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
