"""What a person sees of a running visit: one line per stage that fills up, failures in full, the verdict last.

The view is fed with journal entries only, so it shows nothing that is not on the disk. On a terminal the stages
stand below what was printed and fill up there; elsewhere a stage is printed once it is done.
"""

from __future__ import annotations

import io
import os
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from enum import IntEnum
from io import TextIOWrapper
from pathlib import Path
from typing import IO, Any

import pytest
from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.text import Text

from hilseq.cli.soak_lines import SoakLine
from hilseq.description.findings import nearest_word
from hilseq.errors import UsageError
from hilseq.journal.entries import CheckEnded, CheckStarted, EventLogged, JournalEntry, Reading, RunStarted
from hilseq.journal.event_names import (
    ANSWERED,
    ASKED,
    FOLDER_RENAMED,
    FOUND_NOT_AT_REST,
    NOT_ANSWERED,
    STOPPED,
)
from hilseq.journal.run_state import CheckState, RunState
from hilseq.journal.soak_entries import SoakEventLogged, SoakGap, SoakStatus
from hilseq.plugin.markers import duration_of
from hilseq.plugin.parametrize import slot_of
from hilseq.plugin.planned import CHECK
from hilseq.plugin.sequence_check import why_not_collected
from hilseq.procedures.durations import EXCHANGES
from hilseq.reports import visit_lines
from hilseq.reports.formatting import show_limits, show_value
from hilseq.reports.sanitize import sanitize
from hilseq.reports.visit_lines import Failures, Rest, StageState, wrapped

#: Where there is no terminal to keep a line alive, a soak says how it goes this often, s.
PLAIN_EVERY = 60.0
#: Shares of the planned time that tell nothing yet about how fast it goes.
_TOO_EARLY = 0.02


class Detail(IntEnum):
    """How much is shown of what goes well."""

    VERDICT = 0
    STAGES = 1
    CHECKS = 2


class VisitView:
    """Shows journal entries as they come."""

    def __init__(self, stream: IO[str], detail: Detail = Detail.STAGES) -> None:
        self._console = Screen(file=stream, highlight=False)
        self._detail = detail
        self._draws = self._console.draws
        self._lock = threading.RLock()
        self._state: RunState | None = None
        self._failures = Failures()
        self._printed: set[tuple[str, str]] = set()
        self._stage = ("", "")
        self._now = ""
        self._stopped = False
        self._live: Live | None = None
        self._soak = SoakLine()
        self._begun = self._reported_at = time.monotonic()
        #: Check -> about how long it takes on hardware, s, where that is known.
        self.durations: dict[str, float] = {}

    def take(self, entry: JournalEntry | SoakStatus) -> None:
        """Show one entry.

        The lock is held while the state changes and no longer: what fills up waits for it with a lock of its own,
        which everything that is printed needs.
        """
        if isinstance(entry, RunStarted):
            self._state = RunState(entry)
            units, stand = self._state.units, self._state.stand
            self._print(visit_lines.heading(units, stand, simulated=self._state.simulated))
        elif self._state is not None:
            with self._lock:
                if not isinstance(entry, SoakStatus):
                    self._state.take(entry)
            self._show(self._state, entry)

    def _make_room(self, what: str) -> None:
        """Let a question stand alone on the terminal."""
        if self._live is not None and what == ASKED:
            self._live.stop()
        elif self._live is not None and what in (ANSWERED, NOT_ANSWERED):
            self._live.start()

    def _show(self, state: RunState, entry: JournalEntry | SoakStatus) -> None:
        match entry:
            case CheckStarted():
                self._now = visit_lines.named(state.check(entry.check))
                if self._draws and self._live is None:
                    self._live = Live(
                        console=self._console,
                        get_renderable=self._block,
                        refresh_per_second=8,
                        transient=True,
                        redirect_stdout=False,
                        redirect_stderr=False,
                    )
                    self._live.start()
            case Reading():
                self._now = f"{entry.name} {show_value(entry)} ({show_limits(entry)})"
            case CheckEnded():
                self._end(state, state.check(entry.check))
            case SoakStatus() | SoakEventLogged() | SoakGap():
                self._take_soak(entry)
            case EventLogged():
                self._make_room(entry.what)
                if entry.what in (FOLDER_RENAMED, FOUND_NOT_AT_REST, STOPPED):
                    self._print(
                        wrapped(sanitize(f"{entry.what}: {entry.text}"), indent=2, style="bold yellow")
                    )
            case _:
                pass

    def _end(self, state: RunState, check: CheckState) -> None:
        if self._detail is Detail.CHECKS and check.started:
            if (check.slot, check.stage) != self._stage:
                self._stage = (check.slot, check.stage)
                where = f"{check.slot} " if len(state.units) > 1 else ""
                self._print([Text(f"{where}{sanitize(check.stage)}", "bold")])
            self._print(visit_lines.check_lines(check))
        elif self._prints_at_once:
            self._print(self._failures.lines(check))
        if not self._draws and self._detail is Detail.STAGES:
            for stage in visit_lines.stages_of(state.unit(check.slot)):
                if stage.ended and stage.name == check.stage:
                    self._print_stage(state, stage)

    def _print_stage(self, state: RunState, stage: StageState) -> None:
        """Print a stage once; those that nothing was performed of are reported together at the end."""
        key = (stage.slot, stage.name)
        if key not in self._printed and stage.begun and not stage.not_performed:
            self._printed.add(key)
            self._print([visit_lines.stage_line(stage, strip=self._draws, slot=len(state.units) > 1)])

    def _take_soak(self, entry: SoakStatus | SoakEventLogged | SoakGap) -> None:
        """Keep the live line of a soak; what happens in it stays as a line of its own."""
        if isinstance(entry, SoakEventLogged):
            self._print(wrapped(self._soak.event(entry), indent=2, style="bold red"))
        elif isinstance(entry, SoakGap):
            self._print(wrapped(self._soak.gap(entry), indent=2, style="dim"))
        else:
            with self._lock:
                self._soak.progress(entry)
            self._now = ""
            now = time.monotonic()
            if not self._draws and now - self._reported_at >= PLAIN_EVERY:
                self._reported_at = now
                self._print(wrapped(self._soak.text, indent=2))

    @property
    def _prints_at_once(self) -> bool:
        """Whether a failure is printed when it comes, not shown where it fills up and printed with the verdict."""
        return self._detail is Detail.CHECKS or (self._detail is Detail.STAGES and not self._draws)

    def _print(self, lines: list[Text]) -> None:
        for line in lines:
            self._console.print(line)

    # -- what fills up -------------------------------------------------------------------------------

    def _block(self) -> RenderableType:
        """Return the stages of the unit that is being tested, and how far the visit is."""
        with self._lock:
            state = self._state
            if state is None:
                return Group()
            many = len(state.units) > 1
            lines, wrong = list[Text](), list[Text]()
            for unit in state.units:
                stages = visit_lines.stages_of(unit)
                begun = any(check.started for check in unit.checks)
                if begun and not all(stage.ended for stage in stages):
                    lines += [
                        visit_lines.stage_line(stage, strip=True, slot=many)
                        for stage in stages
                        if not stage.not_performed
                    ]
                    wrong += visit_lines.wrong_so_far(unit)
            lines += wrapped(self._soak.text, indent=2) if self._soak.text else []
            done = sum(check.ended for check in state.checks)
            last = visit_lines.progress_line(done, len(state.checks), self._rest(state))
            room = max(self._console.height - len(lines) - 2, 0)
            return Group(*lines, *(wrong[-room:] if room and not self._prints_at_once else ()), last)

    def _rest(self, state: RunState) -> Rest:
        elapsed = time.monotonic() - self._begun
        if self._soak.text and not self._now:  # its own line says how long the soak takes
            return Rest(elapsed, None)
        known = {check.id: self.durations.get(check.id, 0.0) for check in state.checks}
        total = sum(known.values())
        done = sum(known[check.id] for check in state.checks if check.ended)
        if not total or done < _TOO_EARLY * total:
            return Rest(elapsed, None if state.simulated or not total else total, self._now)
        return Rest(elapsed, elapsed * (total - done) / done, self._now)

    def stop(self) -> None:
        """Take away what fills up, and leave the stages as they ended."""
        live, self._live = self._live, None
        if live is not None:
            live.stop()
        if self._state is None or self._detail is not Detail.STAGES or self._stopped:
            return
        self._stopped = True
        for unit in self._state.units:
            stages = visit_lines.stages_of(unit)
            for stage in stages:
                self._print_stage(self._state, stage)
            self._print(visit_lines.left_out(stages, slot=len(self._state.units) > 1))

    def finish(self, record: RunState, folder: Path) -> None:
        """Say the verdict of each unit, why, and what to do next."""
        self.stop()
        for reported in visit_lines.verdicts_of(record, folder):
            lines = visit_lines.verdict_lines(
                reported, self._console.width, letters=self._draws, full=not self._prints_at_once
            )
            self._print(lines)


class Screen(Console):
    """A screen that may go away: a run is for its journal, whoever looks on.

    Lines are made for WIDTH columns; a narrower terminal breaks them between words, paper never.
    """

    def __init__(self, **about: Any) -> None:
        super().__init__(**about)
        self.soft_wrap = not self.is_terminal or self.width >= visit_lines.WIDTH

    @property
    def draws(self) -> bool:
        """Whether it can be drawn over; paper, and a screen without colour, gets plain lines."""
        dumb = os.environ.get("TERM", "") in ("dumb", "unknown")
        return self.is_terminal and not self.no_color and not dumb

    def on_broken_pipe(self) -> None:
        """Say nothing more, where the library would end the run with the code of a repair."""
        self.quiet = True


class ViewPlugin:
    """Puts the view in the place of pytest's own terminal output."""

    def __init__(self, stream: IO[str], detail: Detail = Detail.STAGES) -> None:
        self._view = VisitView(stream, detail)
        self._visit: Any = None

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_cmdline_parse(self, pluginmanager: pytest.PytestPluginManager) -> Iterator[None]:
        """Say in one line what pytest cannot use of what follows `--`. Raises UsageError."""
        try:
            return (yield)
        except pytest.UsageError as error:
            raise UsageError(_refused_by_pytest(str(error), pluginmanager)) from None

    @property
    def began(self) -> bool:
        """Whether the command line made sense as far as there is a visit."""
        return self._visit is not None

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

    @pytest.hookimpl(trylast=True)
    def pytest_collection_finish(self, session: pytest.Session) -> None:
        """Learn how long the checks take, for the time left."""
        if self._visit is None:
            return
        visit = self._visit.run.visit
        for item in session.items:
            slot = slot_of(item, visit)
            supply = visit.stand.supplies[visit.stand.slots[slot].supply]
            if CHECK in item.stash:
                seconds = duration_of(item, visit.profiles[slot], supply)
                self._view.durations[item.stash[CHECK].id] = EXCHANGES if seconds is None else seconds

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        """Say why a file could not be collected: nothing will be powered."""
        if report.failed:
            print("hilseq: a sequence cannot be used, nothing was powered:", file=sys.stderr)
            print(sanitize(why_not_collected(report)), file=sys.stderr)

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
            self._view.finish(self._visit.record, self._visit.run.folder)


_NO_OPTION = "unrecognized arguments: "


def _refused_by_pytest(words: str, plugins: pytest.PytestPluginManager) -> str:
    """Return what pytest says about a command line without its usage, with the nearest option for an unknown one."""
    said = words.partition("error: ")[2].partition("\n")[0] or words
    if not said.startswith(_NO_OPTION):
        return f"what follows --: {said}"
    word = said.removeprefix(_NO_OPTION).split()[0].partition("=")[0]
    where = "PYTEST_ADDOPTS" if word in os.environ.get("PYTEST_ADDOPTS", "") else "what follows --"
    parser = plugins.getplugin("pytestconfig")._parser  # noqa: SLF001 - pytest has no other list of its options
    groups = (parser._anonymous, *parser._groups)  # noqa: SLF001
    near = nearest_word(
        word, [name for group in groups for option in group.options for name in option.names()]
    )
    meant = (
        f"did you mean {near!r}?" if near else "expected an option of pytest, such as -x, -k WORDS or --lf"
    )
    return f"{where}: there is no option {word!r}; {meant}"


@contextmanager
def own_output() -> Iterator[IO[str]]:
    """Lend standard output as it is now: pytest turns the descriptor itself aside while a check runs."""
    try:
        handle = os.dup(sys.stdout.fileno())
    except (OSError, ValueError):  # no descriptor behind it
        yield sys.stdout
        return
    output = _Lent(os.fdopen(handle, "wb"), encoding=sys.stdout.encoding, errors="replace")
    try:
        yield output
    finally:
        with suppress(OSError):
            output.close()


class _Lent(TextIOWrapper):
    """Output that can end in any way, a full disk too: whoever writes sees a reader that has gone."""

    def flush(self) -> None:
        """Pass on what is written. Raises BrokenPipeError."""
        try:
            super().flush()
        except OSError as error:
            raise BrokenPipeError(error.errno, error.strerror) from error
