"""Several units at once: a visit process for each slot, started together, shown together, ended together.

Each visit is a `hilseq run --slot` with a folder and a journal of its own, complete in itself. What is shown is read
from the journals. The signals that would end a run are passed on to all.
"""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

from rich.console import Group
from rich.live import Live
from rich.text import Text

from hilseq.cli.view import Screen, own_output
from hilseq.description.loading import load_stand
from hilseq.description.visit import describe_visit, profile_file
from hilseq.errors import UsageError
from hilseq.interrupts import HANG_UP, detach_closed_terminal, ending_signals
from hilseq.journal.run_state import CheckState, RunState
from hilseq.journal.writer import FILE_NAME
from hilseq.live.follower import Follower
from hilseq.owner.membership import is_shared, require_free_slots
from hilseq.plugin.intake import read_intake
from hilseq.plugin.options import by_slot, serial_number, units_of
from hilseq.plugin.run_header import default_folder
from hilseq.reports import bench_lines, visit_lines
from hilseq.reports.sanitize import sanitize
from hilseq.stepped import SteppedClock
from hilseq.twin import Twin
from hilseq.verdicts import WORST_FIRST, ExitCode

#: Between two looks at the journals, s.
_EVERY = 0.25
#: What outweighs what: a unit whose visit did not begin is not shown to be bad, but it is not done either.
_WORST_FIRST = (*WORST_FIRST[:-1], ExitCode.IN_USE, ExitCode.USAGE, ExitCode.SHIP)


@dataclass(slots=True)
class SlotVisit:
    """One visit: which unit in which slot, its command line and options of pytest, and the folder of its run."""

    slot: str
    serial: str
    line: list[str]
    options: list[str]
    folder: Path
    #: Whether a person answers its questions: then they are written to its standard input.
    attended: bool = False
    process: subprocess.Popen[bytes] | None = None
    follower: Follower | None = None
    said: IO[bytes] | None = None
    #: What was shown already.
    stages: set[str] = field(default_factory=set)
    checks: set[str] = field(default_factory=set)
    failures: visit_lines.Failures = field(default_factory=visit_lines.Failures)
    ended: bool = False

    def start(self) -> None:
        """Start its process, unless it is; what it warns of is kept until its end."""
        if self.process is not None:
            return
        self.said = tempfile.TemporaryFile()  # noqa: SIM115 - closed with the process
        self.process = subprocess.Popen(
            [
                sys.executable,
                "-P",
                "-m",
                "hilseq",
                "run",
                *self.line,
                f"--out={self.folder}",
                "--",
                *self.options,
            ],
            stdin=subprocess.PIPE if self.attended else subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,  # what it shows there is read from its journal
            stderr=self.said,
            start_new_session=True,  # Ctrl-C comes once, from us
        )
        self.follower = Follower(self.folder, 0.0)

    def answer(self, line: str) -> None:
        """Give the answer to what it asks; one that has ended meanwhile needs none."""
        assert self.process is not None
        assert self.process.stdin is not None
        with suppress(OSError):
            self.process.stdin.write(f"{line}\n".encode())
            self.process.stdin.flush()

    def leave_alone(self) -> None:
        """Let it know that nobody answers any more."""
        if self.process is not None and self.process.stdin is not None:
            with suppress(OSError):
                self.process.stdin.close()

    @property
    def state(self) -> RunState | None:
        """What its journal tells so far."""
        if self.follower is None or not (self.folder / FILE_NAME).exists():
            return None
        return self.follower.look(lambda follower: follower.record, samples=False)

    @property
    def is_over(self) -> bool:
        """Whether its process has ended."""
        return self.process is not None and self.process.poll() is not None

    @property
    def code(self) -> int:
        """Exit code of its process; one that was killed leaves an incomplete visit."""
        code = None if self.process is None else self.process.poll()
        return int(ExitCode.INCOMPLETE) if code is None or code < 0 else code

    def words(self) -> str:
        """Return what its process warned of."""
        if self.said is None:
            return ""
        self.said.seek(0)
        return self.said.read().decode("utf-8", "replace").strip()


@dataclass(frozen=True, slots=True)
class Asked:
    """What `hilseq run` was asked for, as far as it differs from slot to slot or concerns all."""

    stand: Path
    units: Sequence[str]
    serials: Sequence[str]
    sequences: Sequence[str]
    simulate: bool
    seed: int
    real_timing: bool
    defects: Sequence[str]
    defect_files: Sequence[Path]
    intake: Path | None
    notes: Sequence[str]
    retest: Path | None
    soak: bool
    soak_duration: str | None
    out: Path | None
    detail: int
    options: Sequence[str]


def run_several(asked: Asked) -> int | None:
    """Test the units of several slots, each by a visit of its own; return the worst exit code.

    None where one process is right: for one unit, where nothing is tested, and where visits cannot share the stand.
    Raises UsageError, DescriptionError and StandInUse before anything is started.
    """
    stand = load_stand(asked.stand)
    slots = list(stand.slots)
    serials = by_slot(asked.serials, "--serial", slots)
    intakes = read_intake(asked.intake, slots, stand.intake) if asked.intake else {}
    for slot, said in intakes.items():
        if "serial" in said:
            serials.setdefault(slot, said["serial"])
    of_the_twin = asked.defects or asked.defect_files or asked.real_timing
    if len(serials) < 2 or "--collect-only" in asked.options or (of_the_twin and not asked.simulate):  # noqa: PLR2004
        return None
    if not all(is_shared(stand, [slot]) for slot in serials):
        return None
    texts = units_of(asked.units, slots, serials, intakes)
    units = {slot: profile_file(text, asked.stand) for slot, text in texts.items()}
    if lacking := next((slot for slot in units if slot not in serials), ""):
        raise UsageError(
            f"no --serial is given for the unit in slot {lacking}; a verdict needs a serial number"
        )
    if lacking := next((slot for slot in serials if slot not in units), ""):
        raise UsageError(f"--serial names slot {lacking}, which has no --unit")
    describe_visit(asked.stand, units)
    for slot, text in serials.items():
        serial_number(slot, text)
    visits = [_visit(asked, slot, serials[slot], units[slot], slots) for slot in slots if slot in serials]
    if len({visit.folder for visit in visits}) < len(visits):
        raise UsageError("two units have the same serial number; give another --out to test both")
    with own_output() as output:
        if not asked.simulate:
            require_free_slots(stand, serials)
            return _run(visits, output, asked.detail)
        twin = Twin(
            asked.stand,
            units,
            serials=serials,
            seed=asked.seed,
            defects=asked.defects,
            real_timing=asked.real_timing,
            defect_files=asked.defect_files,
        )
        with _shared(twin, visits) as clock:
            return _run(visits, output, asked.detail, clock)


def _visit(asked: Asked, slot: str, serial: str, unit: Path, slots: Sequence[str]) -> SlotVisit:
    """Return the visit of one slot: what was asked for, without what is about other slots."""

    def is_mine(prefix: str) -> bool:
        return prefix == slot or prefix not in slots

    line = [*asked.sequences, f"--stand={asked.stand}", f"--unit={slot}={unit}", f"--slot={slot}"]
    line += [f"--serial={slot}={serial}", f"--seed={asked.seed}"]
    line += ["--simulate"] * asked.simulate + ["--real-timing"] * asked.real_timing + ["--soak"] * asked.soak
    line += [f"--defects={file}" for file in asked.defect_files]
    line += [f"--defect={d}" for d in asked.defects if is_mine(d.partition("@")[2].partition(".")[0])]
    line += [f"--note={note}" for note in asked.notes if is_mine(note.partition("=")[0].rpartition(".")[0])]
    if asked.intake is not None:
        line.append(f"--intake={asked.intake}")
    if asked.retest is not None:
        own = asked.retest / slot
        line.append(f"--retest={own if own.is_dir() else asked.retest}")
    if asked.soak_duration is not None:
        line.append(f"--soak-duration={asked.soak_duration}")
    folder = default_folder([serial]) if asked.out is None else asked.out / slot
    return SlotVisit(slot, serial, line, list(asked.options), folder)


@contextmanager
def _shared(twin: Twin, visits: Sequence[SlotVisit]) -> Iterator[SteppedClock]:
    """Have all visits use one twin; its time stands until the clock that is yielded is closed."""
    with tempfile.TemporaryDirectory() as folder, closing(twin):
        file = Path(folder) / "twin.json"
        file.write_text(json.dumps(twin.endpoints), encoding="utf-8")
        for visit in visits:
            visit.options.append(f"--twin={file}")
        with closing(SteppedClock(twin.endpoints["clock"])) as clock:
            yield clock


def _run(visits: Sequence[SlotVisit], stream: IO[str], detail: int, clock: SteppedClock | None = None) -> int:
    """Run the visits until all have ended; return the worst exit code.

    The clock is closed when each visit has begun or ended: from then on their time moves together.
    """
    view, settled = _View(stream, detail), False
    with passed_on(lambda: [visit.process for visit in visits]) as heard:
        visits[0].start()  # alone, so that what holds the stand for all is there before the others ask for it
        with view.live(visits):
            while not all(visit.ended for visit in visits):
                if visits[0].ended or visits[0].state is not None:
                    for visit in visits:
                        if not heard:
                            visit.start()
                        visit.ended = visit.ended or visit.process is None
                for visit in visits:
                    over = visit.is_over  # before the journal is read: nothing comes after that
                    view.show(visit)
                    if over and not visit.ended:
                        visit.ended = True
                        view.tell_end(visit)
                if not settled and all(v.ended or v.state is not None for v in visits):
                    settled = True
                    view.tell_unbegun(visits)
                    if clock is not None:
                        clock.close()
                time.sleep(_EVERY)
    for visit in visits:
        view.tell_verdict(visit)
    return worst_code(visit.code for visit in visits)


def worst_code(codes: Iterable[int]) -> int:
    """Return the exit code that stands for those of several visits; one that is no verdict outweighs all."""
    ended = set(codes)
    unforeseen = ended - {int(code) for code in _WORST_FIRST}
    return max(unforeseen) if unforeseen else next(int(code) for code in _WORST_FIRST if code in ended)


@contextmanager
def passed_on(processes: Callable[[], Iterable[subprocess.Popen[bytes] | None]]) -> Iterator[list[int]]:
    """Pass the signals that end a run on to every visit: each makes its slot safe. Yield those that came."""
    heard: list[int] = []

    def pass_on(number: int, _frame: object) -> None:
        heard.append(number)
        if number == HANG_UP:
            detach_closed_terminal()
        for process in processes():
            if process is not None and process.poll() is None:
                process.send_signal(number)

    before = {number: signal.signal(number, pass_on) for number in ending_signals()}
    try:
        yield heard
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def visit_here(line: Sequence[str]) -> tuple[int, list[int]]:
    """Run `hilseq run` in a process of its own, in this terminal; return its exit code and the signals that came.

    They end the visit, which makes its stand safe, and not the process that waits for it.
    """
    begun: list[subprocess.Popen[bytes]] = []
    with passed_on(lambda: begun) as heard:
        command = [sys.executable, "-P", "-m", "hilseq", "run", *line]
        begun.append(subprocess.Popen(command, start_new_session=True))  # Ctrl-C comes once, from us
        code = begun[0].wait()
    return int(ExitCode.INCOMPLETE) if code < 0 else code, heard


class _View:
    """One line for each slot that fills up, failures and dispositions as they come; then all verdicts in slot order."""

    def __init__(self, stream: IO[str], detail: int) -> None:
        self._console = Screen(file=stream, highlight=False, soft_wrap=True)
        self._draws = self._console.draws
        self._detail = detail
        self._begun = time.monotonic()
        self._stage = ("", "")

    @contextmanager
    def live(self, visits: Sequence[SlotVisit]) -> Iterator[None]:
        """Draw the lines of all slots below what is printed, where a terminal can."""
        if not self._draws:
            yield
            return

        def lines() -> Group:
            running = [visit for visit in visits if not visit.ended]
            elapsed = time.monotonic() - self._begun
            return Group(*(bench_lines.slot_line(v.slot, v.serial, v.state, elapsed) for v in running))

        with Live(console=self._console, get_renderable=lines, refresh_per_second=2, transient=True):
            yield

    def show(self, visit: SlotVisit) -> None:
        """Print what is new of a visit."""
        state = visit.state
        if state is None or self._detail == 0:
            return
        for unit in state.units:
            for check in unit.checks:
                if check.ended and check.id not in visit.checks:
                    visit.checks.add(check.id)
                    self._show_check(visit, check)
            for stage in () if self._draws else visit_lines.stages_of(unit):
                if stage.ended and stage.name not in visit.stages and not stage.not_performed:
                    visit.stages.add(stage.name)
                    self._console.print(visit_lines.stage_line(stage, strip=False, slot=True))

    def _show_check(self, visit: SlotVisit, check: CheckState) -> None:
        lines = visit.failures.lines(check, slot=True)
        if self._detail > 1 and check.started:
            lines = visit_lines.check_lines(check)
            if (check.slot, check.stage) != self._stage:
                self._stage = (check.slot, check.stage)
                lines.insert(0, Text(f"{sanitize(check.slot)} {sanitize(check.stage)}", "bold"))
        for line in lines:
            self._console.print(line)

    def tell_end(self, visit: SlotVisit) -> None:
        """Say in one line that a visit is over: its unit may be taken out while the others run."""
        state = visit.state
        if self._detail and state is not None:
            self._console.print(bench_lines.slot_line(visit.slot, visit.serial, state, None))

    def tell_verdict(self, visit: SlotVisit) -> None:
        """Report the result of a visit that has begun."""
        state, code = visit.state, 0 if visit.process is None else visit.process.returncode
        if state is None:
            return
        self._console.print(Text(f"slot {sanitize(visit.slot)}", "bold"))
        warned = [f"its process was ended by signal {-code}"] if code < 0 else visit.words().splitlines()
        for words in warned:
            for line in visit_lines.wrapped(sanitize(words), indent=2, style="bold yellow"):
                self._console.print(line)
        for verdict in visit_lines.verdicts_of(state, visit.folder):
            for line in visit_lines.verdict_lines(
                verdict, self._console.width, letters=self._draws, full=False
            ):
                self._console.print(line)

    def tell_unbegun(self, visits: Sequence[SlotVisit]) -> None:
        """Say at once why visits did not begin, while the others run: once, where one reason holds for several."""
        unbegun: dict[str, list[str]] = {}
        for visit in visits:
            if visit.process is None or visit.state is not None:
                continue
            code = visit.process.returncode
            words = visit.words() if code >= 0 else f"its process was ended by signal {-code}"
            unbegun.setdefault(words or "its process ended without a message", []).append(visit.slot)
        for words, slots in unbegun.items():
            where = f"slot{'s' if len(slots) > 1 else ''} {', '.join(slots)}"
            for line in words.removeprefix("hilseq: ").splitlines():
                print(f"hilseq: {where}: {sanitize(line)}", file=sys.stderr)
