"""The checks of a visit as the plugin keeps them: identified, planned into the journal, ended there."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import pytest

from hilseq.description.visit import Visit
from hilseq.hooks import Element, Stage
from hilseq.journal.entries import CheckEnded, CheckPlanned, JournalEntry, Reading
from hilseq.plugin import markers, stages
from hilseq.plugin.classify import PASSED, Outcome
from hilseq.plugin.parametrize import place_of, slot_of
from hilseq.verdicts import CheckVerdict

CHECK = pytest.StashKey["PlannedCheck"]()


@dataclass(slots=True)
class PlannedCheck:
    """What the plugin keeps about one check."""

    id: str
    slot: str
    sequence: str
    stage: str
    title: str
    place: str
    gate: bool
    sentence: str = ""
    outcome: Outcome = PASSED
    #: Why it is to be repeated: the link was away, and has come back.
    again: str = ""
    repeated: bool = False
    #: What it has judged so far.
    readings: list[Reading] = field(default_factory=list)

    @property
    def places(self) -> tuple[str, ...]:
        """Where its failure is: what the exception names, or else the place of the check."""
        return self.outcome.places or (self.place,)


def _check_of(item: pytest.Item, visit: Visit, elements: Mapping[str, Element]) -> PlannedCheck:
    return PlannedCheck(
        id=f"{item.path.name}::{item.name}",
        slot=slot_of(item, visit),
        sequence=markers.sequence_of(item),
        stage=markers.stage_of(item),
        title=markers.title_of(item),
        place=place_of(item, elements) or markers.marked_place(item) or markers.stage_of(item),
        gate=markers.is_gate(item),
        sentence=markers.sentence_of(item),
    )


class VisitPlan:
    """Writes the plan of a run, and the end of each check, into its journal."""

    def __init__(self, visit: Visit, note: Callable[[JournalEntry], None]) -> None:
        self._visit = visit
        self._note = note
        self._many = len(visit.profiles) > 1

    def identify(self, items: Sequence[pytest.Item], elements: Mapping[str, Element]) -> list[PlannedCheck]:
        """Give each item its check; equal file names in two folders get the folder's name in front."""
        checks = []
        taken: set[str] = set()
        for item in items:
            check = _check_of(item, self._visit, elements)
            if check.id in taken:
                check.id = f"{item.path.parent.name}/{check.id}"
            while check.id in taken:
                check.id += "'"
            taken.add(check.id)
            item.stash[CHECK] = check
            checks.append(check)
        return checks

    def lay(
        self,
        items: Sequence[pytest.Item],
        left_out: Sequence[pytest.Item],
        elements: Mapping[str, Element],
        added: Sequence[Stage],
    ) -> None:
        """Plan every check, and say at once which of the full set are not performed."""
        checks = self.identify([*items, *left_out], elements)
        for check in checks:
            self.plan(check)
        for item in left_out:
            self.end(item.stash[CHECK], Outcome(CheckVerdict.NOT_PERFORMED, "it was not selected"), 0.0)
        for slot, profile in self._visit.profiles.items():
            covered = {check.stage for check in checks if check.slot == slot}
            for stage in stages.required(profile, added):
                if stage not in covered:
                    why = Outcome(CheckVerdict.NOT_PERFORMED, "no check of this stage was selected")
                    self.told(
                        slot, f"stage {stage}", why, stage=stage, title=f"the stage {stage}", place=stage
                    )

    def told(self, slot: str, name: str, outcome: Outcome, *, stage: str, title: str, place: str) -> None:
        """Plan and end a line of the verdict that no test stands behind."""
        many = f"[{slot}]" if self._many else ""
        check = PlannedCheck(f"{name}{many}", slot, stage, stage, title, place, gate=False)
        self.plan(check)
        self.end(check, outcome, 0.0)

    def plan(self, check: PlannedCheck) -> None:
        """Write one check into the plan."""
        self._note(
            CheckPlanned(
                check=check.id,
                slot=check.slot,
                sequence=check.sequence,
                stage=check.stage,
                title=check.title,
                sentence=check.sentence,
                place=check.place,
                gate=check.gate,
            )
        )

    def end(self, check: PlannedCheck, outcome: Outcome, seconds: float) -> None:
        """Write what came of a check."""
        self._note(
            CheckEnded(
                check=check.id,
                verdict=outcome.verdict,
                why=outcome.why,
                places=outcome.places,
                seconds=round(seconds, 6),
            )
        )
