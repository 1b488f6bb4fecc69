"""Before a failed check is put down to the unit, the stand is asked about itself.

One mechanism for every check: it runs after the check's own clean-up and before its verdict is noted. What it
finds makes the check a stand fault, with what was seen of the unit in its words.
"""

from __future__ import annotations

from hilseq.errors import NotPerformed, StandFault, UnitFault
from hilseq.plugin.classify import Outcome
from hilseq.plugin.visit_run import VisitRun
from hilseq.procedures.self_check import SelfCheck


def recheck_stand(run: VisitRun, slot: str, places: tuple[str, ...], outcome: Outcome) -> None:
    """Look for a fault of the stand behind a failure of the unit at `places`; note what was asked.

    Raises StandFault when the stand is at fault.
    """
    asked: list[str] = []
    try:
        bench = run.bench()
        try:
            asked = SelfCheck(bench, slot).against(places)
        finally:
            bench.unit(slot).return_to_idle()
    except StandFault as fault:
        raise StandFault(
            f"the unit failed ({outcome.why}), but the stand itself is at fault: {fault}",
            places=fault.places,
        ) from fault
    except (UnitFault, NotPerformed):
        pass  # what the unit does not do here is not asked of the stand
    run.event("stand asked", f"before {', '.join(places)} was blamed: " + "; ".join(asked), slot)
