"""Allure results that read stage → check → reading, with stand, part and serial number as labels.

One suite per stage, and before them all one result for each unit: its disposition, as a status, and what to repair. One
step per reading, failed if it does not conform, its limits as parameters; one attachment per table. What
changes from run to run (values, serials) is in steps and labels, never in the parameters of a check, which would
break its history (historyId is made of them).
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Generator
from importlib import import_module
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from allure_commons.model2 import Label, Status, StatusDetails, TestResult, TestStepResult
from allure_commons.reporter import AllureReporter
from allure_commons.types import LabelType
from allure_commons.utils import now

from hilseq.analysis.limits import ReadingVerdict
from hilseq.journal.causes import diagnosis
from hilseq.journal.entries import EventLogged, JournalEntry, Reading, TableKept
from hilseq.journal.event_names import FOLDER_RENAMED
from hilseq.journal.run_state import UnitState
from hilseq.journal.soak_entries import SoakStatus
from hilseq.plugin.planned import CHECK
from hilseq.plugin.visit_run import VisitRun
from hilseq.reports.formatting import at_places, show_limits, show_value
from hilseq.reports.sanitize import sanitize
from hilseq.reports.visit_lines import Verdict, causes, next_step
from hilseq.verdicts import Disposition

#: Allure sorts what did not pass into these; the first that matches takes it.
CATEGORIES = (
    {"name": "unit: the unit is at fault", "matchedStatuses": ["failed"]},
    {"name": "stand: the stand is at fault: no verdict about the unit", "matchedStatuses": ["broken"]},
    {"name": "not performed", "matchedStatuses": ["skipped"]},
)


#: What becomes of a unit, as the statuses that a reader of Allure knows.
_STATUSES = {
    Disposition.SHIP: Status.PASSED,
    Disposition.REPAIR: Status.FAILED,
    Disposition.STAND_FAULT: Status.BROKEN,
    Disposition.INCOMPLETE: Status.SKIPPED,
}
DISPOSITION = "disposition"
#: Suites above and below a stage, which pytest's folders and classes would make: a reader opens one level, not three.
_OTHER_SUITES = (LabelType.PARENT_SUITE, LabelType.SUB_SUITE)


class ChecksOnly(AllureReporter):
    """Writes nothing of fixtures: they are pytest's business, five files for every check that nobody reads."""

    def close_test(self, uuid: object) -> None:
        """Write a result, in the one suite that it is in."""
        result = self.get_test(uuid)  # type: ignore[no-untyped-call]
        result.labels = [label for label in result.labels if label.name not in _OTHER_SUITES]
        super().close_test(uuid)  # type: ignore[no-untyped-call]

    def stop_group(self, uuid: object, **_: object) -> None:
        """Forget a fixture and what was noted of it."""
        self._items.pop(uuid)  # type: ignore[no-untyped-call]


def _attachment(table: TableKept) -> str:
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(table.columns)
    writer.writerows(table.rows)
    return text.getvalue()


class AllureResults:
    """Registered with pytest only when a stand is given and Allure results are written."""

    def __init__(self, run: VisitRun, folder: Path) -> None:
        self._run = run
        self._folder = folder
        self._begun = now()  # type: ignore[no-untyped-call]
        self._reporter: Any = None
        run.observers.append(self.take)

    def pytest_sessionstart(self, session: pytest.Session) -> None:
        """Have no files written for fixtures."""
        listener: Any = session.config.pluginmanager.get_plugin("allure_listener")
        self._reporter = listener.allure_logger = ChecksOnly()  # type: ignore[no-untyped-call]

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_runtest_setup(self, item: pytest.Item) -> Generator[None, object, object]:
        """Title and label the check, whether or not a gate then closes it off."""
        dynamic: Any = import_module("allure").dynamic
        check = item.stash[CHECK]
        unit = self._run.visit.profiles[check.slot]
        element = check.id.partition("[")[2].removesuffix("]")
        several = len(self._run.visit.profiles) > 1
        dynamic.suite(f"{check.slot}: {check.stage}" if several else check.stage)
        labels = {
            "stand": self._run.visit.stand.stand,
            "part": unit.part,
            "serial": self._run.options.serials[check.slot],
            "slot": check.slot,
            "place": check.place,
        }
        for name, value in labels.items():
            dynamic.label(name, sanitize(value))
        try:
            return (yield)
        finally:
            # Its own set-up names the check after the function: the last word is ours.
            dynamic.title(f"{element}: {check.title}" if element else check.title)
            if check.sentence:
                dynamic.description(sanitize(check.sentence))

    def take(self, entry: JournalEntry | SoakStatus) -> None:
        """Turn a reading into a step and a table into an attachment of the check that is running."""
        if isinstance(entry, Reading):
            step: Any = import_module("allure_commons._allure").StepContext(
                f"{entry.name}: {show_value(entry)}, {entry.verdict}", {"limits": show_limits(entry)}
            )
            step.__enter__()
            bad = entry.verdict is not ReadingVerdict.CONFORMS
            fault = AssertionError(f"{entry.verdict}: {show_limits(entry)}") if bad else None
            step.__exit__(type(fault) if fault else None, fault, None)
        elif isinstance(entry, EventLogged) and entry.what == FOLDER_RENAMED:
            self._follow()
        elif isinstance(entry, TableKept):
            allure: Any = import_module("allure")
            allure.attach(_attachment(entry), sanitize(entry.name), allure.attachment_type.CSV)

    def _follow(self) -> None:
        """Write where the run's folder is now, where the results lie in it."""
        if self._folder.resolve().parent != self._run.first_folder.resolve():
            return
        self._folder = self._run.folder / self._folder.name
        manager: Any = import_module("allure_commons").plugin_manager
        for plugin in manager.get_plugins():
            if hasattr(plugin, "_report_dir"):
                plugin._report_dir = self._folder.absolute()  # noqa: SLF001 - it has no other way

    def _write_disposition(self, unit: UnitState) -> None:
        """Write what becomes of a unit as a result of its own: a failure is read before its checks are opened."""
        verdict = Verdict(unit, unit.disposition, str(self._run.folder))
        uuid = str(uuid4())
        steps = [
            TestStepResult(
                name=sanitize(at_places(cause.places, cause.what)),
                status=_STATUSES[unit.disposition],
                start=self._begun,
                stop=self._begun,
                steps=[
                    TestStepResult(
                        name=sanitize(f"also {at_places(one.places, one.what)}"),
                        status=_STATUSES[unit.disposition],
                        start=self._begun,
                        stop=self._begun,
                    )
                    for one in cause.consequences
                ],
            )
            for cause in diagnosis(unit).causes
        ]
        words = "\n".join(line.plain.strip() for line in causes(verdict, full=True))
        result = TestResult(
            uuid=uuid,
            name=sanitize(f"{unit.part} {unit.serial}: {unit.disposition.upper()}"),
            fullName=f"hilseq.{DISPOSITION}.{unit.slot}",
            historyId=f"hilseq.{DISPOSITION}.{unit.part}.{unit.slot}",
            status=_STATUSES[unit.disposition],
            statusDetails=StatusDetails(message=sanitize(words)),
            description=sanitize(f"Next: {next_step(verdict)}"),
            steps=steps,
            start=self._begun,
            stop=now(),  # type: ignore[no-untyped-call]
            labels=[
                Label(name=LabelType.SUITE, value=DISPOSITION),
                Label(name=LabelType.SEVERITY, value="blocker"),
                Label(name="stand", value=sanitize(self._run.visit.stand.stand)),
                Label(name="part", value=sanitize(unit.part)),
                Label(name="serial", value=sanitize(unit.serial)),
                Label(name="slot", value=unit.slot),
            ],
        )
        self._reporter.schedule_test(uuid, result)
        self._reporter.close_test(uuid)

    def pytest_sessionfinish(self) -> None:
        """Write the dispositions, and the categories beside the results."""
        if self._folder.is_dir():
            for unit in self._run.state.units if self._run.state is not None and self._reporter else ():
                self._write_disposition(unit)
            text = json.dumps(CATEGORIES, indent=1)
            (self._folder / "categories.json").write_text(text, encoding="utf-8")
