"""Gates: which units may not be tested further, and why.

A failed gate closes its unit. A fault of the stand closes every unit that the faulty part serves, and no
other; where it cannot be known whom it serves, all of them. A reading that is too near its limit for this stand
closes nothing: it says nothing against continuing.

Before a failed check is blamed on the unit, the stand is re-checked.

One mechanism for every check: it runs after the check's own clean-up and before its verdict is noted. What it
finds makes the check a stand fault, with what was seen of the unit in its words. The unit's link is weighed last: a
check during which it was away is repeated once, and one whose link stays away does not blame the unit.
"""

from __future__ import annotations

from collections.abc import Sequence

from hilseq.analysis.limits import Limits, ReadingVerdict
from hilseq.description.stages import SOAK
from hilseq.description.stand import Stand
from hilseq.errors import LinkLost, NotPerformed, StandFault, UnitFault, UnitOrHarness
from hilseq.instruments.link_tally import PLACE as LINK
from hilseq.journal.entries import Reading
from hilseq.journal.event_names import STAND_ASKED
from hilseq.plugin.classify import PROFILE, Outcome
from hilseq.plugin.planned import PlannedCheck
from hilseq.plugin.visit_run import VisitRun
from hilseq.procedures.fault_location import FaultLocation
from hilseq.procedures.self_check import SelfCheck, misfits, recheck_link
from hilseq.procedures.unit import Unit
from hilseq.procedures.wiring import served_by
from hilseq.verdicts import CheckVerdict, Obstacle

#: The place of what a supply measures of a unit.
SUPPLY = "supply"


class Gates:
    """The gates of the units in `slots`."""

    def __init__(self, stand: Stand, slots: Sequence[str]) -> None:
        self._stand = stand
        self._slots = tuple(slots)
        self._closed: dict[str, str] = {}

    def after(self, slot: str, title: str, outcome: Outcome, *, gate: bool) -> list[str]:
        """Take note of how a check of the unit in `slot` ended; return the slots that this closed."""
        if outcome.verdict is CheckVerdict.STAND_FAULT:
            return self._close(
                self.concerned(slot, outcome.places), f"the stand failed earlier ({outcome.why})"
            )
        if outcome.obstacle in (Obstacle.CANNOT_TELL, Obstacle.NO_GOLDEN_VISIT):
            return []
        if outcome.verdict is CheckVerdict.NOT_PERFORMED and LINK in outcome.places:
            return self._close([slot], f"the link of the unit was lost during {title!r}: see there")
        if gate and outcome.verdict in (CheckVerdict.FAILED, CheckVerdict.NOT_PERFORMED):
            return self._close([slot], f"the gate {title!r} was {outcome.verdict} before it")
        return []

    def concerned(self, slot: str, places: Sequence[str]) -> list[str]:
        """Return the slots that a fault of the stand at these places concerns, seen while `slot` was tested.

        The link and a port of the slot concern that slot alone.
        """
        own = {PROFILE, f"link of slot {slot}", *self._stand.slots[slot].ports}
        reached = {slot}
        for place in places:
            reached |= {slot} if place in own else served_by(self._stand, place)
        if not places:
            reached |= set(self._slots)
        return [each for each in self._slots if each in reached]

    def close_all(self, why: str) -> None:
        """Close every unit that is still open."""
        self._close(self._slots, why)

    def reason(self, slot: str) -> str:
        """Return why a check of this slot is not performed; empty when it may be."""
        return self._closed.get(slot, "")

    def _close(self, slots: Sequence[str], why: str) -> list[str]:
        newly = [slot for slot in slots if slot not in self._closed]
        self._closed |= dict.fromkeys(newly, why)
        return newly


def recheck_stand(run: VisitRun, check: PlannedCheck, outcome: Outcome) -> str:
    """Look for a fault of the stand behind a check that failed with `outcome`; note what was asked.

    Return why the check is to be repeated, or an empty text. Raises StandFault when the stand is at fault, LinkLost
    when the link is, or its path, UnitOrHarness when unit and stand explain what was found alike.
    """
    slot, places = check.slot, outcome.places or (check.place,)
    asked: list[str] = []
    again = ""
    try:
        bench = run.bench()
        unit = bench.unit(slot)
        failures = unit.link.failures
        try:
            asked = SelfCheck(bench, slot).against(places)
            _require_fit(run, unit)
            again = recheck_link(unit, bench.clock, failures)
            if check.stage == SOAK or check.repeated:
                _weigh_link(outcome, again)
                again = ""  # it is not made once more
            if not again:
                asked += FaultLocation(bench, unit).require_unit(places, _too_much(check.readings))
        finally:
            unit.return_to_idle()
    except StandFault as fault:
        raise StandFault(
            f"the unit failed ({outcome.why}), but the stand itself is at fault: {fault}",
            places=fault.places,
        ) from fault
    except LinkLost as lost:
        run.event("link lost", str(lost), slot)
        raise
    except UnitOrHarness as both:
        golden = run.golden(slot)
        if not golden:
            raise UnitOrHarness(f"{outcome.why}; {both}", places=both.places) from both
        asked.append(f"{both}; the harness was proved with a known good unit, {golden}")
    except (UnitFault, NotPerformed):
        pass  # what the unit does not do here is not asked of the stand
    run.event(STAND_ASKED, f"stand re-checked for {', '.join(places)}: " + "; ".join(asked), slot)
    return again


def _too_much(readings: Sequence[Reading]) -> list[tuple[float, Limits]]:
    """Return the first current at the supply that fails, A, with its limits; none where none does."""
    return [
        (float(reading.value), Limits(reading.low, reading.high))
        for reading in readings
        if reading.unit == "A" and reading.verdict is ReadingVerdict.FAILS and reading.place == SUPPLY
    ][:1]


def _weigh_link(outcome: Outcome, away: str) -> None:
    """Raise LinkLost for a soak, or a check made twice, that failed by its link alone.

    The samples of a soak keep looking at all that needs no link (lamp, current, outputs), and nothing else was seen.
    """
    if away and set(outcome.places) == {LINK}:
        raise LinkLost(f"{outcome.why}; {away}, and nothing else was wrong with the unit", place=LINK)


def _require_fit(run: VisitRun, unit: Unit) -> None:
    """Raise StandFault when the profile has hilseq read what this unit does not have."""
    if not unit.supply.is_on:
        return
    wrong = [
        f"{run.visit.written(unit.slot, one.place)}: {one.words}" for one in misfits(unit, run.bench().clock)
    ]
    if wrong:
        raise StandFault(
            f"the profile does not fit the unit that answers, or this is another type of unit: {'; '.join(wrong)}",
            place=PROFILE,
        )
