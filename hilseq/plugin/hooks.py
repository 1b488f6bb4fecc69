"""The pytest hooks of a visit: plan, gate, classify, note, end.

At the end plain pytest says the lines of `hilseq run`, in its own writer.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Generator, Sequence
from pathlib import Path
from typing import Any

import pytest
from _pytest.junitxml import xml_key
from _pytest.runner import runtestprotocol
from rich.text import Text

from hilseq import gc_tuning
from hilseq.description.approved_plan import PlanContent
from hilseq.description.stages import CLOSING
from hilseq.errors import DescriptionError, LinkLost, Problem, UnitOrHarness, UsageError, gathered
from hilseq.interrupts import held_back, interrupt_on_termination
from hilseq.journal.causes import diagnosis
from hilseq.journal.entries import CheckStarted
from hilseq.journal.event_names import REPEATED
from hilseq.journal.run_state import RunState
from hilseq.journal.seals import read_run
from hilseq.plugin import markers, stages
from hilseq.plugin.classify import PASSED, Outcome, classify, interrupt_behind, worse
from hilseq.plugin.gates import Gates, recheck_stand
from hilseq.plugin.judge import require_resolved
from hilseq.plugin.judging import compiled_with_assertion_hook
from hilseq.plugin.options import refuse
from hilseq.plugin.other_runs import rank
from hilseq.plugin.parametrize import check_parameters, is_empty, parametrize, slot_of
from hilseq.plugin.planned import (
    CHECK,
    PlannedCheck,
    VisitPlan,
    causes_stated,
    certificate_stated,
    compare,
    content,
    seen,
)
from hilseq.plugin.sequence_check import silent_slips
from hilseq.plugin.visit_run import VisitRun
from hilseq.reports import visit_lines
from hilseq.reports.formatting import at_places
from hilseq.reports.sanitize import sanitize
from hilseq.verdicts import CheckVerdict, ExitCode

#: Words of a style -> those of pytest's writer, where they differ.
_MARKUP = {"magenta": "purple", "dim": "light"}


def write_verdicts(reporter: Any, record: RunState, folder: Path) -> None:
    """Write stages and verdict of each unit to pytest's terminal reporter."""
    letters = bool(reporter.hasmarkup)
    for reported in visit_lines.verdicts_of(record, folder):
        stages = visit_lines.stages_of(reported.unit)
        performed = [stage for stage in stages if not stage.not_performed]
        lines = [
            *(
                visit_lines.stage_line(stage, strip=letters, slot=len(record.units) > 1)
                for stage in performed
            ),
            *visit_lines.left_out(stages, slot=len(record.units) > 1),
            *visit_lines.verdict_lines(reported, letters=letters, full=True),
        ]
        for line in lines:
            reporter.line(line.plain, **_markup(line))


def _markup(line: Text) -> dict[str, bool]:
    """Return the markup of a whole line: its own, or that of its last words, which name the verdict."""
    style = str(line.style or (line.spans[-1].style if line.spans else ""))
    return {_MARKUP.get(word, word): True for word in style.split()}


class VisitHooks:
    """Registered with pytest only when a stand is given."""

    def __init__(self, run: VisitRun) -> None:
        self.run = run
        self.gates = Gates(run.visit.stand, tuple(run.visit.profiles))
        self.record: RunState | None = None
        self._plan = VisitPlan(run.visit, run.note)
        self._unsafe: set[str] = set()
        #: Slot and stage of the last check.
        self._stage = ("", "")
        self._left_out: list[pytest.Item] = []
        #: What is wrong with markers, and what a profile lacks for the checks.
        self.problems: list[Problem] = []
        self._arranged = False
        self._seen = seen(())
        self._finished = False

    # -- collection ------------------------------------------------------------------------------

    def pytest_plugin_registered(self, plugin: object, plugin_name: str) -> None:
        """Take the hooks of a `conftest.py`; called for those of before, too."""
        try:
            self.run.extensions.add(plugin, plugin_name)
        except UsageError as error:
            refuse(error)

    def pytest_generate_tests(self, metafunc: pytest.Metafunc) -> None:
        """One check per element of the profile."""
        try:
            parametrize(metafunc, self.run.visit, self.run.elements)
        except UsageError as error:
            raise pytest.UsageError(str(error)) from error

    @pytest.hookimpl(wrapper=True)
    def pytest_make_collect_report(
        self, collector: pytest.Collector
    ) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
        """Keep which file it is: what pytest itself reports of a marker has no place."""
        report = yield
        report.__dict__.update(path=collector.path)
        return report

    @pytest.hookimpl(wrapper=True)
    def pytest_collection(self, session: pytest.Session) -> Generator[None, object, object]:
        """Say what cannot be collected with the exit code of a bad option: pytest's own means a stand fault here."""
        try:
            with compiled_with_assertion_hook(session.config):
                return (yield)
        except pytest.UsageError as error:
            refuse("\n".join(map(str, error.args)))
        except UsageError as error:
            refuse(error)

    @pytest.hookimpl(tryfirst=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Drop what does not concern this type of unit; keep the checks of a unit together, by the files' numbers."""
        try:
            self._arrange(items)
        except (pytest.UsageError, UsageError, DescriptionError) as error:
            # pytest's own code for it is 4, which says here that the stand is at fault.
            refuse(error)
        self._arranged = True

    def _arrange(self, items: list[pytest.Item]) -> None:
        visit = self.run.visit
        self._seen = seen(items)
        concerned = []
        self.problems += silent_slips(items)
        for item in items:
            with gathered(self.problems):
                markers.refuse_misspelt(item)
            with gathered(self.problems):
                stages.check_name(item, self.run.extensions.stages)
            with gathered(self.problems):
                if (
                    not is_empty(item)
                    and stages.applies(item, visit.profiles[slot_of(item, visit)], visit.stand)
                    and stages.asked_for(item, soak=self.run.options.soak)
                ):
                    concerned.append(item)
        items[:] = concerned
        self._check_profiles(items)
        if self.problems:
            raise DescriptionError(self.problems)
        order = {slot: number for number, slot in enumerate(visit.profiles)}
        items.sort(key=lambda item: (order[slot_of(item, visit)], markers.number_of(item)))
        failed = self.run.failed_before
        if failed:
            checks = dict(zip(items, self._plan.identify(items, self.run.elements), strict=True))
            items.sort(
                key=lambda item: (
                    order[checks[item].slot],
                    checks[item].stage == CLOSING,
                    rank(checks[item].id, checks[item].slot, failed, gate=checks[item].gate),
                )
            )

    def _check_profiles(self, items: list[pytest.Item]) -> None:
        """Compare the profiles with what the checks of their units name, and keep what does not fit."""
        visit = self.run.visit
        for slot, profile in visit.profiles.items():
            mine = [item for item in items if slot_of(item, visit) == slot]
            places = stages.places_of(profile, visit.stand, stages.stages_of(mine))
            for item in mine:
                with gathered(self.problems):
                    stages.check_place(item, places)
                with gathered(self.problems):
                    markers.declared_duration(item)
            document, path = visit.documents[slot], visit.profile_paths[slot]
            added = self.run.extensions.stages
            with gathered(self.problems):
                check_parameters(mine, profile, document, path)
            with gathered(self.problems):
                stages.check_required(profile, document, path, added, stages.stages_of(mine))

    def pytest_deselected(self, items: list[pytest.Item]) -> None:
        """Remember what the command line left out: it is not performed, and is said to be."""
        self._left_out.extend(items)

    def pytest_collection_finish(self, session: pytest.Session) -> None:
        """Write the plan into the journal before anything is powered."""
        # pytest calls this even then, as for a wrong expression of -k.
        was_refused = sys.exc_info()[0] is not None
        if session.config.option.collectonly or session.testsfailed or not self._arranged or was_refused:
            return
        if self.run.resumed is not None:
            self._plan.identify(session.items, self.run.elements)
            session.items[:] = [i for i in session.items if self.run.resumed.is_open(i.stash[CHECK].id)]
            self.run.reopen_journal()
            return
        if self._left_out and not session.items:
            refuse("no check is selected, by -k, -m or --deselect; `-- --collect-only` lists their names")
        checks = self._plan.identify([*session.items, *self._left_out], self.run.elements)
        selected, left_out = checks[: len(session.items)], checks[len(session.items) :]
        visit = self.run.visit
        try:
            compared = {slot: compare(visit, slot, self._seen, selected, left_out) for slot in visit.profiles}
            self.run.open_journal([Path(item.path) for item in session.items])
        except UsageError as error:  # a damaged plan; or another run was faster
            refuse(error)
        lacking = {slot: each.not_selected for slot, each in compared.items()}
        self._plan.lay(selected, left_out, self.run.extensions.stages, lacking)
        for each in compared.values():
            self.run.note(each.entry)
        for slot, profile in visit.profiles.items():
            self.run.note(certificate_stated(slot, visit.stand, profile, self.run.populations_of(profile)))
            if profile.causes:
                self.run.note(causes_stated(slot, profile, self.run.repairs_of(profile.part)))

    @property
    def tests(self) -> int:
        """How many tests were found, whether they concern a unit or not."""
        return len(self._seen.functions)

    def contents(self, items: Sequence[pytest.Item]) -> dict[str, PlanContent]:
        """Return by slot what a run of these checks does with the unit, to be approved."""
        checks = self._plan.identify(items, self.run.elements)
        return {slot: content(self.run.visit, slot, self._seen, checks) for slot in self.run.visit.profiles}

    # -- running ---------------------------------------------------------------------------------

    def pytest_sessionstart(self, session: pytest.Session) -> None:
        """Have every way out make safe."""
        session.config.pluginmanager.register(_LastOfAll(self), "hilseq-last")
        interrupt_on_termination(self.run.hold.heard_to_end)

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self) -> None:
        """Begin once everything is loaded."""
        gc_tuning.settled(collect=False)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(
        self, item: pytest.Item, nextitem: pytest.Item | None
    ) -> Generator[None, Any, Any]:
        """Note the beginning and the end of each check; a unit that is done with is switched off."""
        check = item.stash[CHECK]
        if (check.slot, check.stage) != self._stage and not self.gates.reason(check.slot):
            self._stage = check.slot, check.stage
            self.run.note_conditions(check.slot)
        self.run.note(CheckStarted(check=check.id))
        begun = self.run.clock.now()
        try:
            return (yield)
        except BaseException as error:
            check.outcome = worse(classify(error), check.outcome)
            raise
        finally:
            self._plan.end(check, check.outcome, self.run.clock.now() - begun)
            closed = self.gates.after(check.slot, check.title, check.outcome, gate=check.gate)
            for slot in closed:
                self._made_safe(slot)
            last = nextitem is not None and nextitem.stash[CHECK].slot != check.slot
            if last and not self.gates.reason(check.slot):
                self._made_safe(check.slot)

    @pytest.hookimpl(specname="pytest_runtest_protocol")
    def pytest_runtest_protocol_again(self, item: pytest.Item, nextitem: pytest.Item | None) -> bool:
        """Run a check; once more when its link was away and has come back; only the second time is then reported.

        pytest takes nothing for a hook that is not called `pytest_…`, whatever it is marked with.
        """
        check = item.stash[CHECK]
        where = {"nodeid": item.nodeid, "location": item.location}
        item.ihook.pytest_runtest_logstart(**where)
        reports = runtestprotocol(item, log=False, nextitem=nextitem)
        if check.again:
            self.run.event(REPEATED, f"{check.title}: {check.again}", check.slot)
            check.again, check.repeated, check.outcome = "", True, PASSED
            item.user_properties.clear()
            check.readings.clear()
            self.run.note(CheckStarted(check=check.id))
            reports = runtestprotocol(item, log=False, nextitem=nextitem)
        for report in reports:
            item.ihook.pytest_runtest_logreport(report=report)
        item.ihook.pytest_runtest_logfinish(**where)
        return True

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtest_setup(self, item: pytest.Item) -> None:
        """Skip what a closed gate makes pointless or dangerous."""
        reason = str(self.run.disk_fault or "") or self.gates.reason(item.stash[CHECK].slot)
        if reason:
            pytest.skip(reason)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_call(self, item: pytest.Item) -> Generator[None, object, object]:
        """Count a check that found nothing as not performed when a reading was too near its limit to tell."""
        result = yield
        require_resolved(item.stash[CHECK].readings)
        return result

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_teardown(self, item: pytest.Item) -> Generator[None, Any, Any]:
        """Re-check the stand before a failure is blamed on the unit."""
        check = item.stash[CHECK]
        try:
            result = yield
        except Exception as error:
            self._suspect_the_stand(check, worse(check.outcome, classify(error)))
            raise
        self._suspect_the_stand(check, check.outcome)
        return result

    def _suspect_the_stand(self, check: PlannedCheck, outcome: Outcome) -> None:
        if outcome.verdict is not CheckVerdict.FAILED:
            return
        try:
            check.again = recheck_stand(self.run, check, outcome)
        except (LinkLost, UnitOrHarness) as undecided:
            check.outcome = classify(undecided)
            raise

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_runtest_makereport(
        self, item: pytest.Item, call: pytest.CallInfo[None]
    ) -> Generator[None, pytest.TestReport, pytest.TestReport]:
        """Classify what each phase raised. What only came up while an interrupt ended it is not the unit's."""
        report = yield
        check = item.stash[CHECK]
        if call.excinfo is not None:
            if (interrupt := interrupt_behind(call.excinfo.value)) is not None:
                raise interrupt
            phase = classify(call.excinfo.value)
            check.outcome = worse(check.outcome, phase)
            if report.failed and phase.verdict is not CheckVerdict.NOT_PERFORMED:
                # A technician reads the sentence; a broken sequence keeps its traceback.
                report.longrepr = phase.why
        if call.when == "teardown":
            report.user_properties.append(("verdict", str(check.outcome.verdict)))
            report.user_properties.append(("stage", check.stage))
            report.user_properties.append(("place", ", ".join(check.places)))
        return report

    # -- ending ----------------------------------------------------------------------------------

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_sessionfinish(
        self, session: pytest.Session, exitstatus: int
    ) -> Generator[None, object, object]:
        """Make safe before anything else can fail, and end the run even where something did."""
        with held_back():
            if self.run.journal_is_open:
                self._made_safe(None)
            else:
                self.run.close()
        running = self.run.journal_is_open
        if running and (self.run.is_gone or self.run.folder != self.run.first_folder):
            self._keep_junit_out_of_the_first_folder(session.config)
        try:
            return (yield)
        except Exception as error:
            if not running or isinstance(error, pytest.exit.Exception):
                raise
            # JUnit XML or Allure results, which are pytest's business: the unit was tested nevertheless.
            if self.run.disk_fault is None:
                reported = (getattr(error, "strerror", None) or error, getattr(error, "filename", None))
                words = f"{reported[1] or 'junit.xml or allure-results'}: {reported[0]}"
                words = f"hilseq: files of this run for other programs are incomplete: {words}"
                print(words, file=sys.stderr)  # noqa: T201
            return None
        finally:
            self.finish(session, exitstatus)

    def _keep_junit_out_of_the_first_folder(self, config: pytest.Config) -> None:
        """Keep pytest from making a folder again that is gone or renamed, for its JUnit XML alone."""
        junit = config.stash.get(xml_key, None)
        if junit is not None and Path(junit.logfile).parent.resolve() == self.run.first_folder.resolve():
            junit.logfile = (
                os.devnull if self.run.is_gone else str(self.run.folder / Path(junit.logfile).name)
            )

    def finish(self, session: pytest.Session, exitstatus: int) -> None:
        """Close the journal, write the reports, set the exit code; once."""
        if not self.run.journal_is_open or self._finished:
            return
        self._finished = True
        if self.run.disk_fault is not None:
            self.run.close()
            self._say_disk_fault(session)
            return
        assert self.run.state is not None
        ended_early = exitstatus in (pytest.ExitCode.INTERRUPTED, pytest.ExitCode.INTERNAL_ERROR)
        if session.shouldfail and not ended_early:
            self._end_the_rest(session.items)
        code = self.run.state.exit_code
        if exitstatus == pytest.ExitCode.INTERNAL_ERROR:
            code = int(ExitCode.STAND_FAULT)  # a hook failed: no verdict follows from that
        with held_back():
            self.run.finish(code, interrupted=ended_early)
        self._report(session)

    def _end_the_rest(self, items: list[pytest.Item]) -> None:
        """Mark the checks after the failure at which a person wanted the run to end as not performed."""
        assert self.run.state is not None
        ended = {check.id for check in self.run.state.checks if check.ended}
        outcome = Outcome(CheckVerdict.NOT_PERFORMED, "the run ended at an earlier failure (-x or --maxfail)")
        for check in (item.stash[CHECK] for item in items if CHECK in item.stash):
            if check.id not in ended:
                self._plan.end(check, outcome, 0.0)

    def _report(self, session: pytest.Session) -> None:
        """Write the reports of a run that has ended, and take the exit code from them."""
        from hilseq.reports.write import write_formats, write_reports

        if self.run.disk_fault is None:
            try:
                self.record = self._reported(write_reports)
                _, wrong = write_formats(self.record, self.run.folder, self.run.extensions.report_formats)
                for words in wrong:
                    print(f"hilseq: {words}", file=sys.stderr)  # noqa: T201 - the run has ended
            except OSError as error:
                self.run.reports_failed(error)
            else:
                session.exitstatus = self.record.final_exit_code
                return
        self._say_disk_fault(session)

    def _reported(self, write: Callable[[Path], RunState]) -> RunState:
        """Write the reports and return the run; a page that cannot be made takes no verdict with it. Raises OSError."""
        record = read_run(self.run.folder)
        try:
            return write(self.run.folder)
        except OSError:
            raise
        except Exception as error:  # noqa: BLE001 - of a drawing, a template, a library: the verdict stands
            print(f"hilseq: the report is incomplete: {type(error).__name__}: {error}", file=sys.stderr)  # noqa: T201
            return record

    def _say_disk_fault(self, session: pytest.Session) -> None:
        """Report on stderr that nothing more can be written; what is on the disk stays readable."""
        print(f"hilseq: {self.run.disk_fault}", file=sys.stderr)  # noqa: T201 - the journal is what failed
        session.exitstatus = int(ExitCode.STAND_FAULT)

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_terminal_summary(self, terminalreporter: Any) -> Generator[None, object, object]:
        """Print the stages and the verdict of every unit last, where the technician looks."""
        result = yield
        if self.record is not None:
            terminalreporter.section("verdict")
            write_verdicts(terminalreporter, self.record, self.run.folder)
        return result

    def _made_safe(self, slot: str | None) -> None:
        """Make a slot, or all, safe.

        Where that cannot be verified, safety comes before everybody's verdict: all goes off and nothing more
        is tested. It is a stand fault of the units on the instruments concerned; what was found out about the
        others before stands.
        """
        why, concerned = self.run.make_safe(slot)
        if not why:
            return
        self.gates.close_all(f"the stand could not be made safe ({why})")
        for name in concerned:
            if name not in self._unsafe:
                self._unsafe.add(name)
                fault = Outcome(CheckVerdict.STAND_FAULT, why)
                self._plan.reported(
                    name, "safe state", fault, stage="safe state", title="the safe state", place="stand"
                )
        if slot is not None:
            self._made_safe(None)


class _LastOfAll:
    """Ends the run when other plugins have ended, and before the terminal prints the summary."""

    def __init__(self, hooks: VisitHooks) -> None:
        self._hooks = hooks

    @pytest.hookimpl(trylast=True)
    def pytest_sessionfinish(self, session: pytest.Session, exitstatus: int) -> None:
        """See VisitHooks.finish."""
        self._hooks.finish(session, exitstatus)


class JunitResults:
    """What JUnit XML says about a visit in addition to pytest's own words; registered only when it is written.

    A test case is of the class that is its stage, because readers of JUnit group by class, and carries part, serial
    number and slot; the suite carries the disposition, which no single case knows.
    """

    def __init__(self, run: VisitRun) -> None:
        self._run = run

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_runtest_setup(self, item: pytest.Item) -> Generator[None, object, object]:
        """Put the check into its stage, and name the unit, whether or not a gate then closes it off."""
        check = item.stash[CHECK]
        item.config.stash[xml_key].node_reporter(item.nodeid).add_attribute(
            "classname", sanitize(check.stage)
        )
        item.user_properties += [
            (name, sanitize(value))
            for name, value in (
                ("part", self._run.visit.profiles[check.slot].part),
                ("serial", self._run.options.serials[check.slot]),
                ("slot", check.slot),
            )
        ]
        return (yield)

    @pytest.hookimpl(tryfirst=True)
    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        """Name the units and their dispositions in the suite."""
        state, xml = self._run.state, session.config.stash.get(xml_key, None)
        if state is None or xml is None:
            return
        units = ", ".join(f"{unit.part} {unit.serial}" for unit in state.units)
        xml.suite_name = sanitize(f"{units} on {state.header.stand}")
        xml.add_global_property("run", sanitize(state.header.run))
        xml.add_global_property("stand", sanitize(state.header.stand))
        for unit in state.units:
            xml.add_global_property(f"unit in slot {unit.slot}", sanitize(f"{unit.part} {unit.serial}"))
            prefix = f"{unit.slot}." if len(state.units) > 1 else ""
            for name, value in (
                ("part", unit.part),
                ("serial", unit.serial),
                ("slot", unit.slot),
                ("disposition", unit.disposition),
                *(
                    (f"cause {n}", at_places(cause.places, cause.what))
                    for n, cause in enumerate(diagnosis(unit).causes, 1)
                ),
                *((f"look at {n}", step.known.name) for n, step in enumerate(diagnosis(unit).order, 1)),
            ):
                xml.add_global_property(f"{prefix}{name}", sanitize(value))
