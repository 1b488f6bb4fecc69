"""The pytest hooks of a visit: plan, gate, classify, note, end."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from hilseq.journal import kinds
from hilseq.journal.reader import read_journal
from hilseq.plugin import markers, stages
from hilseq.plugin.classify import PASSED, Outcome, classify, worse
from hilseq.plugin.gates import Gates
from hilseq.plugin.parametrize import is_empty, parametrize, place_of, slot_of
from hilseq.plugin.visit_run import VisitRun, interrupt_on_termination
from hilseq.reports.record import RunRecord, tell
from hilseq.verdicts import CheckVerdict, ExitCode

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
    outcome: Outcome = PASSED


def _check_of(item: pytest.Item, run: VisitRun) -> PlannedCheck:
    name = item.name
    return PlannedCheck(
        id=f"{item.path.name}::{name}",
        slot=slot_of(item, run.visit),
        sequence=markers.sequence_of(item),
        stage=markers.stage_of(item),
        title=markers.title_of(item),
        place=place_of(item) or markers.marked_place(item) or markers.stage_of(item),
        gate=markers.is_gate(item),
    )


class VisitHooks:
    """Registered with pytest only when a stand is given."""

    def __init__(self, run: VisitRun) -> None:
        self.run = run
        self.gates = Gates()
        self.record: RunRecord | None = None
        self._unsafe = False
        self._left_out: list[pytest.Item] = []

    # -- collection ------------------------------------------------------------------------------

    def pytest_generate_tests(self, metafunc: pytest.Metafunc) -> None:
        """One check per element of the profile."""
        parametrize(metafunc, self.run.visit)

    @pytest.hookimpl(tryfirst=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Drop what does not concern this type of unit; keep the checks of a unit together."""
        profiles = self.run.visit.profiles
        items[:] = [
            item
            for item in items
            if not is_empty(item)
            and stages.applies(item, profiles[slot_of(item, self.run.visit)])
            and stages.asked_for(item, soak=self.run.options.soak)
        ]
        order = {slot: number for number, slot in enumerate(profiles)}
        items.sort(key=lambda item: order[slot_of(item, self.run.visit)])

    def pytest_deselected(self, items: list[pytest.Item]) -> None:
        """Remember what the command line left out: it is not performed, and is said to be."""
        self._left_out.extend(items)

    def pytest_collection_finish(self, session: pytest.Session) -> None:
        """Write the plan into the journal before anything is powered."""
        if session.config.option.collectonly or session.testsfailed:
            return
        if self.run.resumed is not None:
            self._identified(session.items)
            session.items[:] = [i for i in session.items if self.run.resumed.is_open(i.stash[CHECK].id)]
            self.run.reopen_journal()
            return
        self.run.open_journal([Path(item.path) for item in session.items])
        checks = self._identified([*session.items, *self._left_out])
        for check in checks:
            self._plan(check)
        for item in self._left_out:
            self._end(item.stash[CHECK], Outcome(CheckVerdict.NOT_PERFORMED, "it was not selected"), 0.0)
        for slot, profile in self.run.visit.profiles.items():
            covered = {check.stage for check in checks if check.slot == slot}
            for stage in stages.required(profile):
                if stage not in covered:
                    self._plan_missing(slot, stage)

    def _identified(self, items: list[pytest.Item]) -> list[PlannedCheck]:
        """Give each item its check; equal file names in two folders get the folder's name in front."""
        checks = []
        taken: set[str] = set()
        for item in items:
            check = _check_of(item, self.run)
            if check.id in taken:
                check.id = f"{item.path.parent.name}/{check.id}"
            while check.id in taken:
                check.id += "'"
            taken.add(check.id)
            item.stash[CHECK] = check
            checks.append(check)
        return checks

    def _plan(self, check: PlannedCheck) -> None:
        fields = ("slot", "sequence", "stage", "title", "place", "gate")
        self.run.note(kinds.CHECK_PLANNED, check=check.id, **{name: getattr(check, name) for name in fields})

    def _plan_missing(self, slot: str, stage: str) -> None:
        many = f"[{slot}]" if len(self.run.visit.profiles) > 1 else ""
        check = PlannedCheck(f"stage {stage}{many}", slot, stage, stage, f"the stage {stage}", stage, False)
        self._plan(check)
        self._end(check, Outcome(CheckVerdict.NOT_PERFORMED, "no check of this stage was selected"), 0.0)

    # -- running ---------------------------------------------------------------------------------

    def pytest_sessionstart(self) -> None:
        """Have every way out make safe."""
        interrupt_on_termination()

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Generator[None, Any, Any]:
        """Note the beginning and the end of each check."""
        check = item.stash[CHECK]
        self.run.note(kinds.CHECK_STARTED, check=check.id)
        begun = self.run.clock.now()
        try:
            return (yield)
        except BaseException as error:
            check.outcome = worse(classify(error), check.outcome)
            raise
        finally:
            self._end(check, check.outcome, self.run.clock.now() - begun)
            if self.gates.after(
                check.slot, check.title, check.outcome.verdict, gate=check.gate, why=check.outcome.why
            ):
                self._made_safe(None if self.gates.stand_closed else check.slot)

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtest_setup(self, item: pytest.Item) -> None:
        """Skip what a closed gate makes pointless or dangerous."""
        reason = self.gates.reason(item.stash[CHECK].slot)
        if reason:
            pytest.skip(reason)

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_runtest_makereport(
        self, item: pytest.Item, call: pytest.CallInfo[None]
    ) -> Generator[None, pytest.TestReport, pytest.TestReport]:
        """Classify what each phase raised."""
        report = yield
        check = item.stash[CHECK]
        if call.excinfo is not None:
            check.outcome = worse(check.outcome, classify(call.excinfo.value))
        if call.when == "teardown":
            report.user_properties.append(("verdict", str(check.outcome.verdict)))
            report.user_properties.append(("stage", check.stage))
            report.user_properties.append(("place", ", ".join(check.outcome.places or (check.place,))))
        return report

    def _end(self, check: PlannedCheck, outcome: Outcome, seconds: float) -> None:
        self.run.note(
            kinds.CHECK_ENDED,
            check=check.id,
            verdict=str(outcome.verdict),
            why=outcome.why,
            places=list(outcome.places),
            seconds=round(seconds, 6),
        )

    # -- ending ----------------------------------------------------------------------------------

    @pytest.hookimpl(trylast=True)
    def pytest_sessionfinish(self, session: pytest.Session, exitstatus: int) -> None:
        """Make safe, close the journal, write the reports, set the exit code."""
        if not self.run.journal_is_open:
            self.run.close()
            return
        self._made_safe(None)
        if self.run.disk_fault is not None:
            # Nothing more can be written; what is on the disk stays readable.
            self.run.close()
            session.exitstatus = int(ExitCode.STAND_FAULT)
            return
        code = tell(read_journal(self.run.folder)).exit_code
        self.run.finish(code, interrupted=exitstatus == pytest.ExitCode.INTERRUPTED)
        from hilseq.reports.write import write_reports

        self.record = write_reports(self.run.folder)
        session.exitstatus = code

    def pytest_terminal_summary(self, terminalreporter: Any) -> None:
        """Say the disposition of every unit, first of all, where the technician looks."""
        if self.record is None:
            return
        terminalreporter.section("disposition")
        for unit in self.record.units:
            terminalreporter.line(f"{unit.part} {unit.serial}: {unit.disposition}")
            for finding in unit.findings:
                terminalreporter.line(f"  {finding.place}: {finding.what}")
        terminalreporter.line(f"reports and journal: {self.run.folder}")

    def _made_safe(self, slot: str | None) -> None:
        """Make safe; a safe state that cannot be verified is a stand fault of every unit of the run."""
        why = self.run.make_safe(slot)
        if not why or self._unsafe:
            return
        self._unsafe = True
        for name in self.run.visit.profiles:
            many = f"[{name}]" if len(self.run.visit.profiles) > 1 else ""
            check = PlannedCheck(f"safe state{many}", name, "safe state", "safe state", "the safe state", "stand", False)
            self._plan(check)
            self._end(check, Outcome(CheckVerdict.STAND_FAULT, why), 0.0)
