"""Before a failed check is put down to the unit, the stand is asked about itself.

One mechanism for every check: it runs after the check's own clean-up and before its verdict is noted. What it
finds makes the check a stand fault, with what was seen of the unit in its words. The unit's link is weighed last: a
check during which it was away is repeated once, and one whose link stays away is not held against the unit.
"""

from __future__ import annotations

from hilseq.errors import LinkLost, NotPerformed, StandFault, UnitFault
from hilseq.plugin import stages
from hilseq.plugin.classify import PROFILE, Outcome
from hilseq.plugin.planned import PlannedCheck
from hilseq.plugin.visit_run import VisitRun
from hilseq.procedures.self_check import PLACE as LINK
from hilseq.procedures.self_check import SelfCheck, misfits, recheck_link
from hilseq.procedures.unit import Unit


def recheck_stand(run: VisitRun, check: PlannedCheck, outcome: Outcome) -> str:
    """Look for a fault of the stand behind a check that failed with `outcome`; note what was asked.

    Return why the check is to be repeated, or an empty text. Raises StandFault when the stand is at fault, LinkLost
    when the link is, or its path.
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
            if check.stage == stages.SOAK:
                _weigh_soak(outcome, again)
                again = ""  # it is not made twice
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
    except (UnitFault, NotPerformed):
        pass  # what the unit does not do here is not asked of the stand
    run.event("stand asked", f"before {', '.join(places)} was blamed: " + "; ".join(asked), slot)
    return again


def _weigh_soak(outcome: Outcome, away: str) -> None:
    """Raise LinkLost for a soak that failed by its link alone.

    Its samples went on looking at all that needs no link (lamp, current, outputs), and nothing else was seen.
    """
    if away and set(outcome.places) == {LINK}:
        raise LinkLost(f"{outcome.why}; {away}, and nothing else was seen of the unit", place=LINK)


def _require_fit(run: VisitRun, unit: Unit) -> None:
    """Raise StandFault when the profile has hilseq read what this unit does not have."""
    if not unit.supply.is_on:
        return
    wrong = [f"{run.visit.written(unit.slot, one.place)}: {one.words}" for one in misfits(unit)]
    if wrong:
        raise StandFault(
            f"the profile does not fit the unit that answers, or this is another type of unit: {'; '.join(wrong)}",
            place=PROFILE,
        )
