"""What a person sees of a running visit: one line per check, the present one live, the disposition last.

The view is fed with journal entries only, so it shows nothing that is not on the disk.
"""

from __future__ import annotations

import io
import sys
import time
from pathlib import Path
from typing import IO, Any

import pytest
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.text import Text

from hilseq.cli.soak_lines import SoakLine
from hilseq.journal import kinds
from hilseq.journal.kinds import ANSWERED, ASKED, NOT_ANSWERED
from hilseq.reports.formatting import show_limits, show_value
from hilseq.reports.record import RunRecord, reading_of
from hilseq.reports.sanitize import sanitize
from hilseq.verdicts import CheckVerdict, Disposition

#: Where there is no terminal to keep a line alive, a soak says how it goes this often, s.
PLAIN_EVERY = 60.0
_STYLE = {
    CheckVerdict.PASSED: "green",
    CheckVerdict.FAILED: "bold red",
    CheckVerdict.STAND_FAULT: "bold magenta",
    CheckVerdict.NOT_PERFORMED: "yellow",
    Disposition.SHIP: "bold green",
    Disposition.REPAIR: "bold red",
    Disposition.STAND_FAULT: "bold magenta",
    Disposition.INCOMPLETE: "bold yellow",
}


class VisitView:
    """Shows journal entries as they come."""

    def __init__(self, stream: IO[str]) -> None:
        self._console = _Screen(file=stream, highlight=False, soft_wrap=True)
        self._planned: dict[str, dict[str, Any]] = {}
        self._last_reading = ""
        self._many = False
        self._progress: Progress | None = None
        self._soak = SoakLine()
        self._told_at = time.monotonic()
        self._task: Any = None

    def take(self, kind: str, fields: dict[str, Any]) -> None:
        """Show one entry."""
        match kind:
            case kinds.RUN_STARTED:
                self._begin(fields)
            case kinds.CHECK_PLANNED:
                self._planned[fields["check"]] = fields
            case kinds.CHECK_STARTED:
                self._start(fields["check"])
            case kinds.READING:
                reading = reading_of(fields)
                words = f"{reading.name} {show_value(reading)} ({show_limits(reading)})"
                self._last_reading = words
                self._show(self._planned[fields["check"]]["stage"], self._last_reading)
            case kinds.CHECK_ENDED:
                self._end(fields)
            case kinds.SOAK_PROGRESS | kinds.SOAK_EVENT | kinds.SOAK_GAP:
                self._take_soak(kind, fields)
            case kinds.EVENT if self._progress is not None and fields["what"] == ASKED:
                self._progress.stop()  # the question stands alone on the terminal
            case kinds.EVENT if self._progress is not None and fields["what"] in (ANSWERED, NOT_ANSWERED):
                self._progress.start()
            case _:
                pass

    def _begin(self, fields: dict[str, Any]) -> None:
        self._many = len(fields["units"]) > 1
        units = ", ".join(f"{u['part']} {sanitize(u['serial'])}" for u in fields["units"])
        where = f"stand {fields['stand']}" + (" (simulated)" if fields["simulated"] else "")
        self._console.print(Text(f"hilseq {fields['hilseq']}: {units} on {where}"))

    def _start(self, check: str) -> None:
        self._last_reading = ""
        if self._console.is_terminal and self._progress is None:
            self._progress = Progress(
                TextColumn("{task.fields[stage]:<14}"),
                BarColumn(24),
                TextColumn("{task.completed:.0f} of {task.total:.0f}"),
                TimeElapsedColumn(),
                TextColumn("{task.fields[words]}", markup=False),
                console=self._console,
                transient=True,
            )
            self._task = self._progress.add_task("", total=len(self._planned), stage="", words="")
            self._progress.start()
        planned = self._planned[check]
        self._show(planned["stage"], self._name(planned))

    def _show(self, stage: str, words: str) -> None:
        if self._progress is not None:
            self._progress.update(self._task, stage=stage, words=sanitize(words))

    def _take_soak(self, kind: str, fields: dict[str, Any]) -> None:
        """Keep the live line of a soak; what happens in it stays as a line of its own."""
        if kind == kinds.SOAK_EVENT:
            self._console.print(Text(f"  {self._soak.event(fields)}", style="bold red"))
        elif kind == kinds.SOAK_GAP:
            self._console.print(Text(f"  {self._soak.gap(fields)}", style="dim"))
        else:
            self._soak.progress(fields)
            self._show("soak", self._soak.text)
            now = time.monotonic()
            if self._progress is None and now - self._told_at >= PLAIN_EVERY:
                self._told_at = now
                self._console.print(Text(f"  {self._soak.text}"))

    def _name(self, planned: dict[str, Any]) -> str:
        element = planned["check"].partition("[")[2].removesuffix("]")
        return planned["title"] if not element else f"{element}: {planned['title']}"

    def _end(self, fields: dict[str, Any]) -> None:
        verdict = CheckVerdict(fields["verdict"])
        planned = self._planned[fields["check"]]
        line = Text()
        line.append(f"{verdict:<14}", style=_STYLE[verdict])
        line.append(f"{planned['stage']:<14} {sanitize(self._name(planned))}")
        words = fields["why"] if verdict is not CheckVerdict.PASSED else self._last_reading
        if words:
            line.append(f" - {sanitize(words)}", style="" if verdict is not CheckVerdict.PASSED else "dim")
        self._console.print(line)
        if self._progress is not None:
            self._progress.advance(self._task)

    def stop(self) -> None:
        """Take the live line away."""
        if self._progress is not None:
            self._progress.stop()
            self._progress = None

    def finish(self, record: RunRecord, folder: str) -> None:
        """Say the disposition first, then why, then where the files are."""
        self.stop()
        for unit in record.units:
            line = Text("\n")
            line.append(str(record.final(unit)).upper(), style=_STYLE[record.final(unit)])
            line.append(f"  {unit.part} {sanitize(unit.serial)}")
            self._console.print(line)
            places: dict[str, dict[str, None]] = {}
            for finding in unit.findings:
                places.setdefault(finding.what, {})[finding.place] = None
            for what, where in places.items():
                self._console.print(Text(f"  {sanitize(', '.join(where))}: {sanitize(what)}"))
            if record.final(unit) is Disposition.INCOMPLETE:
                left = [c for c in unit.checks if c.verdict is CheckVerdict.NOT_PERFORMED]
                self._console.print(
                    Text(
                        f"  {len(left)} checks were not performed; first: {sanitize(left[0].why)}"
                        if left
                        else f"  {sanitize(unit.damage) or 'no check was performed'}"
                    )
                )
        self._console.print(Text(f"\nreports and journal: {folder}"))


class _Screen(Console):
    """A screen that may go away: a run is for its journal, whoever looks on."""

    def on_broken_pipe(self) -> None:
        """Say nothing more, where the library would end the run with the code of a repair."""
        self.quiet = True


class ViewPlugin:
    """Puts the view in the place of pytest's own terminal output."""

    def __init__(self, stream: IO[str]) -> None:
        self._view = VisitView(stream)
        self._visit: Any = None

    @property
    def folder(self) -> Path | None:
        """Folder of the run that has ended; None when there was none."""
        return self._visit.run.folder if self._visit is not None and self._visit.record is not None else None

    @pytest.hookimpl(trylast=True)
    def pytest_configure(self, config: pytest.Config) -> None:
        """Listen to the run, and quieten pytest's reporter."""
        self._visit = config.pluginmanager.getplugin("hilseq-visit")
        if self._visit is None or config.option.collectonly:
            return
        self._visit.run.observers.append(self._view.take)
        reporter = config.pluginmanager.getplugin("terminalreporter")
        if reporter is not None:
            # Other plugins count on a reporter being there; this one speaks to nobody.
            config.pluginmanager.unregister(reporter)
            config.pluginmanager.register(type(reporter)(config, io.StringIO()), "terminalreporter")

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        """Say why a file could not be collected: nothing will be powered."""
        if report.failed:
            lines = report.longreprtext.splitlines()
            telling = [
                line.removeprefix("E").strip("\n") for line in lines if line.startswith("E ")
            ] or lines[-1:]
            print("hilseq: a sequence cannot be used, nothing was powered:", file=sys.stderr)
            print("\n".join(sanitize(line) for line in telling), file=sys.stderr)

    def pytest_keyboard_interrupt(self, excinfo: pytest.ExceptionInfo[BaseException]) -> None:
        """Say why the run ended early; pytest itself says why one did not even begin."""
        if self._visit is None and isinstance(excinfo.value, pytest.exit.Exception):
            return
        words = getattr(excinfo.value, "msg", "") or str(excinfo.value) or "interrupted"
        print(f"hilseq: {words}", file=sys.stderr)

    @pytest.hookimpl(trylast=True)
    def pytest_sessionfinish(self) -> None:
        """End the live line."""
        self._view.stop()

    @pytest.hookimpl(trylast=True)
    def pytest_unconfigure(self) -> None:
        """Show the end of the run."""
        if self._visit is not None and self._visit.record is not None:
            self._view.finish(self._visit.record, str(self._visit.run.folder))
