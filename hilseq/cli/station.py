"""`hilseq station`: a bench for a whole day: scan, fit, run, see the verdict, print the label, next.

A barcode reader is a keyboard: what it sends is a line. Each visit is a `hilseq run` of its own, so that nothing of
one unit is left for the next.
"""

from __future__ import annotations

import math
import shlex
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from hilseq.cli.command import PytestCommand, StandOption, UnitOption
from hilseq.clock import nothing
from hilseq.errors import HilseqError, StandInUse, UsageError
from hilseq.interrupts import HANG_UP
from hilseq.verdicts import Disposition, ExitCode

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rich.text import Text

    from hilseq.cli.side_by_side import SlotVisit
    from hilseq.description.profile import Profile
    from hilseq.description.stand import Stand
    from hilseq.journal.entries import EventLogged
    from hilseq.reports.visit_lines import Verdict

#: What ends the day.
END = "end"
#: Longest time that a printer's command may take, s.
_PRINTING = 60.0
#: Between two looks at running visits, s.
_LOOK = 0.5


def station_command(
    ctx: typer.Context,
    stand: StandOption,
    unit: UnitOption = None,
    sequence: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="SEQUENCE", help="Sequence files or folders; shipped: those of hilseq (default)."
        ),
    ] = None,
    simulate: Annotated[bool, typer.Option("--simulate", help="Rehearse on a simulated twin.")] = False,
    operator: Annotated[str, typer.Option(metavar="NAME", help="Who is at the stand; asked otherwise.")] = "",
    out: Annotated[
        Path, typer.Option(metavar="DIR", help="Folder that takes one folder for each run.")
    ] = Path("runs"),
    label_command: Annotated[
        str,
        typer.Option(
            metavar="COMMAND",
            envvar="HILSEQ_LABEL_COMMAND",
            help="Command that prints a label; {label} stands for its file (PDF).",
        ),
    ] = "",
) -> None:
    """Work through a day of units: scan a serial number, fit the unit, see SHIP or REPAIR, take the next.

    On a stand with several slots the visit of each unit begins as soon as it is fitted, beside the others; the next
    free slot is named, and each result is shown as it comes. Ctrl-C ends the running visits, safely.

    Of a unit that comes back from repair it asks what was repaired, and has what failed tested first.

    The profile is found by the part number: the only one there is, that of an earlier run of the serial number, or
    what is scanned before it (PART SERIAL). A line `end` ends the day. Options of hilseq run may follow after --.

    Exit code: 0 at the end of the day, 2 bad file or option, 3 the terminal was closed, 75 when somebody else uses the
    stand, or it is kept off.

    Example: hilseq station --stand stands/sim-bench.yaml --simulate
    """
    from hilseq.description.loading import load_stand
    from hilseq.owner.membership import is_shared

    described = load_stand(stand)
    if not simulate:
        _require_free(described)
    options = [*(["--simulate"] if simulate else []), *ctx.meta.get(PytestCommand.AFTER, ())]
    kind = BenchDay if is_shared(described, list(described.slots)[:1]) else Day
    day = kind(stand, described, unit or [], list(sequence or []), options, out, label_command)
    with suppress(EOFError, KeyboardInterrupt):
        day.work(operator)
    day.close()
    if day.is_hung_up:
        raise typer.Exit(int(ExitCode.INCOMPLETE))


def _require_free(stand: Stand) -> None:
    """Raise StandInUse where somebody else uses the stand or it is kept off: nobody puts a unit into it then.

    One whose owner lets others in has free slots.
    """
    from hilseq.lease.addresses import instruments_of
    from hilseq.lease.latch import Latch
    from hilseq.lease.lease import require_free, uses_of

    instruments = instruments_of(stand)
    Latch(instruments).require_released()
    if not any(use.holder is not None and use.holder.door for use in uses_of(instruments)):
        require_free(instruments)


def _in_use(stand: Stand) -> set[str]:
    """Return the slots that somebody works on."""
    from hilseq.lease.addresses import instruments_of
    from hilseq.lease.lease import uses_of

    uses = uses_of(instruments_of(stand))
    return {slot for use in uses if use.holder is not None for run in use.holder.runs for slot in run.units}


class Day:
    """The visits of one day at one stand."""

    def __init__(
        self,
        path: Path,
        stand: Stand,
        units: Sequence[str],
        sequences: Sequence[str],
        options: Sequence[str],
        out: Path,
        label_command: str,
    ) -> None:
        from hilseq.cli.view import Screen
        from hilseq.plugin.intake import Lines
        from hilseq.plugin.options import unit_files

        self._lines = Lines(sys.stdin.fileno())
        #: Called while an answer is waited for; raises EOFError where none is wanted any more.
        self._tick: Callable[[], None] = nothing
        self._path, self._stand = path, stand
        self._sequences, self._options, self._out = sequences, options, out
        self._label_command = label_command
        self._console = Screen(highlight=False)
        self._fixed = unit_files(units, list(stand.slots), path) if units else {}
        self._operator = ""
        #: What the next page says first.
        self._warning = ""
        #: Whether no more units are taken.
        self._ends = False
        #: Signals that came.
        self._heard: list[int] = []
        self._fitted: dict[str, str] = {}
        #: Serial number -> the run that sent it to repair, and what was repaired since, for those who come back.
        self._repaired: dict[str, tuple[Path, str]] = {}
        self._tally: Counter[Disposition] = Counter()

    # -- the day -------------------------------------------------------------------------------------

    @property
    def is_hung_up(self) -> bool:
        """Whether the terminal was closed under a visit."""
        return HANG_UP in self._heard

    def work(self, operator: str) -> None:
        """Take unit after unit. Raises EOFError when the day ends."""
        self._operator = operator or self._ask("Who is at the stand? Type your name.")
        while True:
            if "--simulate" not in self._options:
                _require_free(self._stand)
            units = self._fit_units()
            folder = self._run(units)
            self._show_end(folder, {slot: serial for slot, (serial, _) in units.items()})
            if self._ends:
                raise EOFError

    def close(self) -> None:
        """Say what was done."""
        from hilseq.reports.formatting import count

        self._console.print()
        self._console.print(f"  {count(sum(self._tally.values()), 'unit')} today{self._so_far()}")

    def _so_far(self) -> str:
        reported = ", ".join(f"{number} {disposition}" for disposition, number in self._tally.items())
        return f": {reported}" if reported else ""

    def _fit_units(self) -> dict[str, tuple[str, Path]]:
        """Have one unit put into each slot, at least into the first; return serial number and profile by slot."""
        units: dict[str, tuple[str, Path]] = {}
        for slot in self._stand.slots:
            scanned = self._scan(slot, units)
            if scanned is None:
                break
            units[slot] = scanned
            self._fit(slot, *scanned)
        return units

    def _fit(self, slot: str, serial: str, profile: Path) -> None:
        """Have a unit put into its slot, step by step."""
        self._ask_for_repair(serial, profile)
        steps = list(self._steps(slot, serial, profile))
        for number, (words, picture) in enumerate(steps, 1):
            self._instruct(words, picture, f"slot {slot}, step {number} of {len(steps)}")

    def _scan(self, slot: str, units: Mapping[str, tuple[str, Path]]) -> tuple[str, Path] | None:
        """Return serial number and profile of the next unit; None when those that are fitted are to be run."""
        taken = {serial for serial, _ in units.values()}
        words = f"Scan or type the serial number of the {'next ' if taken else ''}unit for slot {slot}."
        more = f"Enter starts the run, `{END}` the last one." if taken else f"`{END}` ends the day."
        while True:
            line = self._ask(words, more)
            if line == END and not taken:
                raise EOFError
            if taken and line in ("", END):  # what is fitted is tested first
                self._ends = line == END
                return None
            try:
                serial, profile = self._identify(slot, line)
            except UsageError as error:
                self._warning = str(error)
                continue
            if serial in taken:
                self._warning = f"{serial} is in another slot already; scan the unit for slot {slot}"
                continue
            return serial, profile

    def _identify(self, slot: str, line: str) -> tuple[str, Path]:
        """Return serial number and profile that a scanned line means. Raises UsageError."""
        from hilseq.description.visit import parts, profile_file
        from hilseq.plugin.options import serial_number
        from hilseq.plugin.other_runs import part_of

        known = parts(self._path)
        part, _, rest = line.partition(" ")
        serial = rest.strip() if part in known and rest else line
        if not serial:
            raise UsageError("nothing was scanned; expected a serial number")
        serial_number(slot, serial)
        if slot in self._fixed:
            return serial, self._fixed[slot]
        part = part if part in known and rest else part_of(self._out, serial)
        if part not in known and len(known) == 1:
            part = next(iter(known))
        while part not in known:
            if not known:
                raise UsageError(
                    "no profile is known; name one with --unit, or their folder in HILSEQ_PROFILES"
                )
            typed = self._ask(f"Scan or type the part number of {serial}.", f"Known: {', '.join(known)}")
            part = next((name for name in known if name.casefold() == typed.casefold()), "")
            self._warning = "" if part else f"There is no profile of part {typed}."
        return serial, profile_file(part, self._path)

    def _ask_for_repair(self, serial: str, profile: Path) -> None:
        """Ask what was repaired where the last visit of a unit sent it to repair: what failed is tested first then."""
        from hilseq.description.loading import load_profile
        from hilseq.plugin.other_runs import earlier_runs

        self._repaired.pop(serial, None)
        simulated = "--simulate" in self._options
        earlier = earlier_runs(self._out / serial, load_profile(profile).part, serial, simulated=simulated)
        if not earlier or earlier[-1].disposition != Disposition.REPAIR:
            return
        found = "; ".join(earlier[-1].findings)
        words = f"The last visit of {serial} sent it to repair: {found}. What was repaired since?"
        done = self._ask(words, "Type it in a few words; Enter when nothing was.")
        self._repaired[serial] = self._out / earlier[-1].run, done

    def _steps(self, slot: str, serial: str, path: Path) -> Iterator[tuple[str, str]]:
        """Yield what a person does to fit a unit, and the picture of it where the stand file has one."""
        from hilseq.description.loading import load_profile

        profile = load_profile(path)
        described = self._stand.slots[slot]
        if self._fitted.get(slot) != profile.part:
            for item in described.setup:
                yield f"Fit {item.item}: {item.where}.", item.picture
            for position, name in sorted(described.neighbours.items()):
                yield f"Fit {name} in rack position {position}.", ""
            self._fitted[slot] = profile.part
        pictures = self._stand.operator.pictures
        yield f"Put {profile.part} {serial} into slot {slot}.", pictures.get("insert-unit", "")
        for place in self._positions_by_hand(profile):
            yield f"Turn its mode switch to {place}.", pictures.get("move-switch", "")

    def _positions_by_hand(self, profile: Profile) -> Iterator[str]:
        """Yield where a switch that only a person moves must stand when power comes."""
        if self._stand.operator.move_switch is None:
            return
        driven = {signal.drives.partition(".")[2] for signal in self._stand.signals.values() if signal.drives}
        for name, position in profile.modes.switch.items():
            if position.mode is profile.modes.at_start and position.contact not in driven:
                yield name

    def _line(self, units: Mapping[str, tuple[str, Path]]) -> list[str]:
        """Return the command line of a visit."""
        line = [*self._sequences, "--stand", str(self._path), "--attended"]
        for slot, (serial, profile) in units.items():
            line += [f"--unit={slot}={profile}", f"--serial={slot}={serial}"]
            before, repair = self._repaired.get(serial, (None, ""))
            if before is not None and before.is_dir():  # of another computer it is known, and not at hand
                line.append(f"--retest={before}")
            if repair:
                line.append(f"--note={slot}.repair={repair}")
        if self._operator:
            line.append(f"--note=operator={self._operator}")
        return [*line, *self._options]

    def _folder(self, serials: Iterable[str]) -> Path:
        from hilseq.plugin.run_header import default_folder

        return self._out / default_folder(list(serials)).name

    def _run(self, units: Mapping[str, tuple[str, Path]]) -> Path:
        """Make the visit in a process of its own; return its folder."""
        from hilseq.cli.side_by_side import visit_here

        folder = self._folder(serial for serial, _ in units.values())
        self._clear()
        line = [*self._line(units), "--out", str(folder), "--", "--intake-complete"]
        _, self._heard = visit_here(line)
        if set(self._heard) - {signal.SIGINT}:  # Ctrl-C ends the visit, anything else the day
            raise EOFError
        return folder

    # -- what is seen --------------------------------------------------------------------------------

    def _show_end(self, folder: Path, serials: Mapping[str, str]) -> None:
        """Show the verdict of each unit, print its label, and have it taken out.

        It stays until it is answered: a key that was pressed during the visit is no answer.
        """
        from hilseq.journal.seals import read_run
        from hilseq.reports import visit_lines

        try:
            record = read_run(folder)
        except (HilseqError, OSError, ValueError):
            self._warning = "The run did not begin: see above."
            self._ask("", "Press Enter to continue.", alone=False)
            return
        verdicts = visit_lines.verdicts_of(record, folder)
        self._clear()
        for reported in verdicts:
            self._tally[reported.disposition] += 1
            width = self._console.width
            self._print(visit_lines.verdict_lines(reported, width, letters=True, full=True, station=True))
        for line in self._labels(folder, verdicts):
            self._console.print(f"  {line}", markup=False)
        names = " and ".join(f"{serial} out of slot {slot}" for slot, serial in serials.items())
        self._lines.forget_typed()
        self._ask(f"Take {names}.", "Enter when it is out.", alone=False)

    def _labels(self, folder: Path, verdicts: Sequence[Verdict]) -> Iterator[str]:
        """Make and print the labels of units that have a verdict; yield the outcome in words."""
        from hilseq.cli.report import make_reports

        if not any(reported.disposition in (Disposition.SHIP, Disposition.REPAIR) for reported in verdicts):
            return
        try:
            files = [file for file in make_reports(folder, label=True) if file.suffix == ".pdf"]
        except UsageError as error:
            yield f"No label: {error}"
            return
        for file in files:
            if not self._label_command:
                yield f"Label: {file}"
                continue
            wrong = _printed(self._label_command, file)
            yield f"Label not printed: {wrong}" if wrong else f"Label printed: {file}"

    def _instruct(self, words: str, picture: str, where: str) -> None:
        """Show one instruction, and wait for Enter: a scan is no answer to it."""
        more = "Enter when it is done."
        while self._ask(words, more, picture=picture, where=where):
            self._warning = "That was typed or scanned; press Enter alone when it is done."

    def _ask(
        self, words: str, more: str = "", *, picture: str = "", where: str = "", alone: bool = True
    ) -> str:
        """Show one question or instruction alone, and return the line that answers it. Raises EOFError."""
        self._put(words, more, picture=picture, where=where, alone=alone)
        line = self._lines.next(math.inf, self._tick)
        assert line is not None
        return line

    def _put(self, words: str, more: str, *, picture: str = "", where: str = "", alone: bool = True) -> None:
        """Show one question or instruction."""
        from rich.text import Text

        from hilseq.reports.sanitize import sanitize
        from hilseq.reports.visit_lines import wrapped

        simulated = ", simulated" if "--simulate" in self._options else ""
        head = f"{self._stand.stand}{simulated}   {where or 'today' + (self._so_far() or ': no unit yet')}"
        if alone:
            self._clear()
        self._print([Text(), *wrapped(sanitize(head), indent=2, style="dim"), Text()])
        if self._warning:
            self._print(wrapped(sanitize(self._warning), indent=2, style="bold yellow"))
            self._warning = ""
        if words:
            self._print(wrapped(sanitize(words), indent=2, style="bold"))
        if picture:
            file = self._path.parent / picture
            self._print(wrapped(f"picture: {file}{'' if file.is_file() else ' (missing)'}", indent=2))
        self._print([*wrapped(more, indent=2), Text()])
        self._console.print("> ", end="")

    def _print(self, lines: Sequence[Text]) -> None:
        for line in lines:
            self._console.print(line)

    def _clear(self) -> None:
        """Begin a page: what stood there is done with."""
        if self._console.is_terminal:
            self._console.clear()


class BenchDay(Day):
    """A day at a stand whose slots are independent: the visit of each unit begins when it is fitted, beside the others.

    One thing is asked at a time, and what takes Enter alone stays until it is answered: a page that turns while
    somebody types is answered by nothing that was meant for another.
    """

    def __init__(self, *about: Any) -> None:
        super().__init__(*about)
        self._visits: dict[str, SlotVisit] = {}
        self._begun: dict[str, float] = {}
        #: By slot, the question that was answered last.
        self._answered: dict[str, EventLogged] = {}
        self._shown: tuple[str, ...] = ()
        self._tick = self._require_quiet

    def _require_quiet(self) -> None:
        if self._heard:  # the visits end, and nobody is asked any more
            raise EOFError

    def work(self, operator: str) -> None:
        """Take unit after unit, until the day ends and every visit is over."""
        from hilseq.cli.side_by_side import passed_on

        self._operator = operator or self._ask("Who is at the stand? Type your name.")
        with passed_on(lambda: [visit.process for visit in self._visits.values()]) as self._heard:
            while self._visits or not self._ends:
                with suppress(EOFError):
                    self._continue()
                    continue
                self._ends = True
                for visit in self._visits.values():
                    visit.leave_alone()
                time.sleep(_LOOK)

    def _continue(self) -> None:
        """Do what is next: see off a unit that is done, pass on a question, or fit the next unit."""
        over = next((slot for slot, visit in self._visits.items() if visit.is_over), None)
        if over is not None:
            self._see_off(over)
            return
        if asked := self._question():
            self._pass_on(*asked)
            return
        free = None if self._ends else self._free_slot()
        words, more = self._waits_for(free)
        line = self._wait(
            words, more, lambda: any(v.is_over for v in self._visits.values()) or self._question()
        )
        if line == END:
            self._ends = True
        elif line and free is None:
            self._warning = f"{line} has no slot yet: wait until one is free"
        elif line is not None and free is not None:
            self._begin(free, line)

    def _waits_for(self, free: str | None) -> tuple[str, str]:
        if free is not None:
            return (
                f"Scan or type the serial number of the next unit for slot {free}.",
                f"`{END}` ends the day.",
            )
        if self._ends:
            return "The day ends when these visits do.", "Ctrl-C ends them now, safely."
        return "Every slot is in use.", f"Finished visits are reported here. `{END}` takes no more units."

    def _free_slot(self) -> str | None:
        taken = set(self._visits) | (set() if "--simulate" in self._options else _in_use(self._stand))
        return next((slot for slot in self._stand.slots if slot not in taken), None)

    def _begin(self, slot: str, line: str) -> None:
        """Have a unit fitted, and begin its visit."""
        from hilseq.cli.side_by_side import SlotVisit

        try:
            if "--simulate" not in self._options:
                _require_free(self._stand)
            serial, profile = self._identify(slot, line)
        except (UsageError, StandInUse) as error:
            self._warning = str(error)
            return
        other = next((visit.slot for visit in self._visits.values() if visit.serial == serial), None)
        if other is not None:
            self._warning = f"{serial} is in slot {other} already; scan the unit for slot {slot}"
            return
        self._fit(slot, serial, profile)
        reported = [*self._line({slot: (serial, profile)}), f"--slot={slot}"]
        visit = SlotVisit(
            slot, serial, reported, ["--intake-complete"], self._folder([serial]), attended=True
        )
        visit.start()
        self._visits[slot], self._begun[slot] = visit, time.monotonic()

    def _see_off(self, slot: str) -> None:
        """Show the verdict of a unit whose visit is over, and have it taken out."""
        from hilseq.live.bench_presenter import note_taken_out

        visit = self._visits.pop(slot)
        if visit.state is None:
            self._warning = (
                f"slot {slot}: the visit did not begin: {visit.words() or 'it ended without a message'}"
            )
            return
        with suppress(EOFError):
            self._show_end(visit.folder, {slot: visit.serial})
            note_taken_out(visit.folder, self._operator)

    def _question(self) -> tuple[SlotVisit, EventLogged] | None:
        """Return the first question of a visit that waits for its answer."""
        from hilseq.live.bench_presenter import open_question

        for slot, visit in self._visits.items():
            state = visit.state
            asked = None if state is None else open_question([*state.events, *state.unit(slot).events])
            if asked is not None and asked.prompt is not None and asked != self._answered.get(slot):
                return visit, asked
        return None

    def _pass_on(self, visit: SlotVisit, asked: EventLogged) -> None:
        """Ask what a visit asks, with its slot first; one that is asked no more is left."""
        from hilseq.plugin.intake import understood

        assert asked.prompt is not None
        expected = asked.prompt.expected
        more = f"answer: {' / '.join(expected)}" + (" (Enter: done)" if expected[:1] == ("done",) else "")
        line = self._wait(
            f"Slot {visit.slot}: {asked.text}",
            more,
            lambda: (visit, asked) != self._question(),
            picture=asked.prompt.picture,
        )
        if line is None:
            return
        answer = understood(line, expected)
        if answer is None:
            self._warning = f"expected one of: {', '.join(expected)}"
            return
        visit.answer(answer)
        self._answered[visit.slot] = asked

    def _wait(self, words: str, more: str, is_past: Callable[[], object], *, picture: str = "") -> str | None:
        """Show the bench with one question below, until a line comes or the question is past; None then."""
        while True:
            self._show(words, more, picture)
            line = self._lines.next(_LOOK, self._require_quiet)
            if line is not None:
                self._shown = ()
                return line
            if is_past():
                return None

    def _show(self, words: str, more: str, picture: str) -> None:
        """Show the bench anew where it has changed, and a terminal can."""
        from rich.text import Text

        from hilseq.reports.bench_lines import slot_line

        now = time.monotonic()
        bench = [
            slot_line(slot, visit.serial, visit.state, now - self._begun[slot])
            for slot in self._stand.slots
            if (visit := self._visits.get(slot)) is not None
        ]
        page = (words, *(line.plain for line in bench)) if self._console.is_terminal else (words,)
        if page != self._shown:
            self._shown = page
            self._clear()
            self._print([Text(), *bench])
            self._put(words, more, picture=picture, alone=False)


def _printed(command: str, file: Path) -> str:
    """Print a label; return what went wrong, or an empty text."""
    try:
        line = [word.replace("{label}", str(file)) for word in shlex.split(command)]
        done = subprocess.run(line, capture_output=True, text=True, check=False, timeout=_PRINTING)
    except (OSError, ValueError, subprocess.TimeoutExpired) as error:
        return f"{command}: {error}"
    said = (done.stderr or done.stdout).strip().partition("\n")[0]
    return (
        ""
        if done.returncode == 0
        else f"{command} ended with {done.returncode}" + (f": {said}" if said else "")
    )
