"""The coverage statement: what a verdict stands for, and what it does not."""

from __future__ import annotations

from dataclasses import dataclass

from hilseq.journal.entries import NOT_JUDGED
from hilseq.journal.run_state import UnitState
from hilseq.quantities import show_duration
from hilseq.reports.formatting import join_truncated
from hilseq.verdicts import CheckVerdict

NOT_APPROVED = "Not the approved plan"
TESTED = "Tested"


@dataclass(frozen=True, slots=True)
class CoverageStatement:
    """What of a unit was tested and what was not, in words; an empty line says that there is nothing of the kind."""

    approved: bool
    plan: str
    soak: str
    tested: str
    not_claimed: str
    not_possible: str

    def lines(self) -> list[tuple[str, str]]:
        """Return heading and words of each line there is, the first lines of a report first."""
        told = [
            ("Plan", self.plan),
            ("Soak", self.soak),
            (TESTED, self.tested),
            ("Not claimed by the profile", self.not_claimed),
            ("Not possible on this stand", self.not_possible),
        ]
        return [(name, words) for name, words in told if words]


def coverage_statement(unit: UnitState) -> CoverageStatement:
    """Return the coverage statement of a unit."""
    by_stage: dict[str, list[CheckVerdict]] = {}
    for check in unit.checks:
        by_stage.setdefault(check.stage, []).append(check.verdict)
    performed = {
        stage: sum(v is not CheckVerdict.NOT_PERFORMED for v in seen) for stage, seen in by_stage.items()
    }
    tested = [
        stage if performed[stage] == len(seen) else f"{stage} ({performed[stage]} of {len(seen)} checks)"
        for stage, seen in by_stage.items()
        if performed[stage]
    ]
    plan = unit.plan
    not_judged = [event.text for event in unit.events if event.what == NOT_JUDGED]
    not_here = () if plan is None else plan.not_on_stand
    return CoverageStatement(
        approved=not unit.unapproved,
        plan=_plan(unit),
        soak=_soak(unit),
        tested=", ".join(tested),
        not_claimed="" if plan is None else ", ".join(plan.not_claimed),
        not_possible="; ".join(dict.fromkeys([*unit.unmeasured, *not_judged, *not_here])),
    )


def _plan(unit: UnitState) -> str:
    plan = unit.plan
    if plan is None:
        return "The run knows of no approved plan."
    named = f"plan of {unit.part}, revision {plan.revision} ({plan.identity[:16]})"
    by = f"approved by {plan.approved_by} on {plan.approved_on}: {plan.why.rstrip('.')}"
    if not plan.revision:
        return f"{NOT_APPROVED}: {join_truncated(plan.differences, 4)}."
    if plan.differences:
        return f"{NOT_APPROVED} ({named}): {join_truncated(plan.differences, 4)}."
    return f"Approved {named}, {by}."


def _soak(unit: UnitState) -> str:
    planned = None if unit.plan is None else unit.plan.soak
    if unit.soak is None:
        return f"none of {show_duration(planned)} planned" if planned else ""
    planned = planned or unit.soak.started.planned
    done = unit.soak.last if unit.soak.ended is None else unit.soak.ended.since
    return f"{show_duration(done)} of {show_duration(planned)} planned"
