"""Allure results that read stage → check → reading, with stand, serial and operator as labels.

One step per reading, failed if it does not conform, its limits as parameters; one attachment per table. What
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

import pytest
from allure_commons.reporter import AllureReporter

from hilseq.analysis.limits import ReadingVerdict
from hilseq.journal.entries import JournalEntry, Reading, SoakStatus, TableKept
from hilseq.plugin.planned import CHECK
from hilseq.plugin.visit_run import VisitRun
from hilseq.reports.formatting import show_limits, show_value
from hilseq.reports.sanitize import sanitize

#: Allure sorts what did not pass into these; the first that matches takes it.
CATEGORIES = (
    {"name": "unit: the unit is at fault", "matchedStatuses": ["failed"]},
    {"name": "stand: the stand is at fault, nothing is said against the unit", "matchedStatuses": ["broken"]},
    {"name": "not performed", "matchedStatuses": ["skipped"]},
)


class ChecksOnly(AllureReporter):
    """Writes nothing of fixtures: they are pytest's business, five files for every check that nobody reads."""

    def stop_group(self, uuid: object, **_: object) -> None:
        """Let go of a fixture and what was noted of it."""
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
        run.observers.append(self.take)

    def pytest_sessionstart(self, session: pytest.Session) -> None:
        """Have no files written for fixtures."""
        listener: Any = session.config.pluginmanager.get_plugin("allure_listener")
        listener.allure_logger = ChecksOnly()  # type: ignore[no-untyped-call]

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_runtest_setup(self, item: pytest.Item) -> Generator[None, object, object]:
        """Title and label the check, whether or not a gate then closes it off."""
        dynamic: Any = import_module("allure").dynamic
        check = item.stash[CHECK]
        unit = self._run.visit.profiles[check.slot]
        element = check.id.partition("[")[2].removesuffix("]")
        dynamic.parent_suite(check.stage)
        dynamic.suite(check.sequence)
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
        elif isinstance(entry, TableKept):
            allure: Any = import_module("allure")
            allure.attach(_attachment(entry), sanitize(entry.name), allure.attachment_type.CSV)

    def pytest_sessionfinish(self) -> None:
        """Write the categories beside the results."""
        if self._folder.is_dir():
            text = json.dumps(CATEGORIES, indent=1)
            (self._folder / "categories.json").write_text(text, encoding="utf-8")
