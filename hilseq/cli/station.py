"""`hilseq station`: a bench for a whole day: scan, fit, run, see the verdict, print the label, next.

A barcode reader is a keyboard: what it sends is a line. Each visit is a `hilseq run` of its own, so that nothing of
one unit is left for the next.
"""

from __future__ import annotations

import shlex
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hilseq.cli.command import PytestCommand, StandOption, UnitOption
from hilseq.errors import HilseqError, UsageError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rich.text import Text

    from hilseq.description.profile import Profile
    from hilseq.description.stand import Stand
    from hilseq.reports.visit_lines import Verdict
    from hilseq.verdicts import Disposition

#: What ends the day.
END = "end"
#: Longest time that a printer's command may take, s.
_PRINTING = 60.0


def station_command(
    ctx: typer.Context,
    stand: StandOption,
    unit: UnitOption = None,
    sequence: Annotated[
        list[str] | None,
        typer.Argument(metavar="SEQUENCE", help="Sequence files or folders (default: the shipped ones)."),
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

    The profile is found by the part number: the only one there is, that of an earlier run of the serial number, or
    what is scanned before it (PART SERIAL). A line `end` ends the day. Options of hilseq run may follow after --.

    Exit code: 0 at the end of the day, 2 bad file or option, 75 when somebody else uses the stand, or it is kept off.

    Example: hilseq station --stand stands/sim-bench.yaml --simulate
    """
    from hilseq.description.loading import load_stand

    described = load_stand(stand)
    if not simulate:
        _require_free(described)
    options = [*(["--simulate"] if simulate else []), *ctx.meta.get(PytestCommand.AFTER, ())]
    day = Day(stand, described, unit or [], list(sequence or []), options, out, label_command)
    with suppress(EOFError, KeyboardInterrupt):
        day.work(operator)
    day.close()


def _require_free(stand: Stand) -> None:
    """Raise StandInUse where somebody else uses the stand or it is kept off: nobody puts a unit into it then."""
    from hilseq.lease.addresses import instruments_of
    from hilseq.lease.latch import Latch
    from hilseq.lease.lease import require_free

    instruments = instruments_of(stand)
    Latch(instruments).require_released()
    require_free(instruments)


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
        from rich.console import Console

        from hilseq.plugin.options import unit_files

        self._path, self._stand = path, stand
        self._sequences, self._options, self._out = sequences, options, out
        self._label_command = label_command
        self._console = Console(highlight=False, soft_wrap=True)
        self._fixed = unit_files(units, list(stand.slots), path) if units else {}
        self._operator = ""
        #: What the next page says first.
        self._warning = ""
        self._fitted: dict[str, str] = {}
        self._tally: Counter[Disposition] = Counter()

    # -- the day -------------------------------------------------------------------------------------

    def work(self, operator: str) -> None:
        """Take unit after unit. Raises EOFError when the day ends."""
        self._operator = operator or self._ask("Who is at the stand? Type your name.")
        while True:
            if "--simulate" not in self._options:
                _require_free(self._stand)
            units = self._fit_units()
            folder = self._run(units)
            self._show_end(folder, units)

    def close(self) -> None:
        """Say what was done."""
        from hilseq.reports.formatting import count

        self._console.print()
        self._console.print(f"  {count(sum(self._tally.values()), 'unit')} today{self._so_far()}")

    def _so_far(self) -> str:
        told = ", ".join(f"{number} {disposition}" for disposition, number in self._tally.items())
        return f": {told}" if told else ""

    def _fit_units(self) -> dict[str, tuple[str, Path]]:
        """Have one unit put into each slot, at least into the first; return serial number and profile by slot."""
        units: dict[str, tuple[str, Path]] = {}
        for slot in self._stand.slots:
            scanned = self._scan(slot, units)
            if scanned is None:
                break
            serial, profile = scanned
            units[slot] = scanned
            steps = list(self._steps(slot, serial, profile))
            for number, (words, picture) in enumerate(steps, 1):
                self._instruct(words, picture, f"slot {slot}, step {number} of {len(steps)}")
        return units

    def _scan(self, slot: str, units: Mapping[str, tuple[str, Path]]) -> tuple[str, Path] | None:
        """Return serial number and profile of the next unit; None when those that are fitted shall be run."""
        taken = {serial for serial, _ in units.values()}
        words = f"Scan or type the serial number of the {'next ' if taken else ''}unit for slot {slot}."
        more = "Enter starts the run." if taken else f"`{END}` ends the day."
        while True:
            line = self._ask(words, more)
            if line == END:
                raise EOFError
            if not line and taken:
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

    def _run(self, units: Mapping[str, tuple[str, Path]]) -> Path:
        """Make the visit in a process of its own; return its folder."""
        words = "-".join("".join(c if c.isalnum() else "_" for c in serial) for serial, _ in units.values())
        folder = self._out / f"{datetime.now(UTC):%Y%m%d-%H%M%S}-{words[:60]}"
        line = [sys.executable, "-P", "-m", "hilseq", "run", *self._sequences, "--stand", str(self._path)]
        line += ["--attended", "--out", str(folder)]
        for slot, (serial, profile) in units.items():
            line += [f"--unit={slot}={profile}", f"--serial={slot}={serial}"]
        if self._operator:
            line.append(f"--note=operator={self._operator}")
        self._clear()
        run = subprocess.Popen([*line, *self._options, "--", "--intake-complete"])
        while run.returncode is None:
            with suppress(KeyboardInterrupt):  # the run hears it too, and makes the stand safe
                run.wait()
        return folder

    # -- what is seen --------------------------------------------------------------------------------

    def _show_end(self, folder: Path, units: Mapping[str, tuple[str, Path]]) -> None:
        """Show the verdict of each unit, print its label, and have it taken out."""
        from hilseq.journal.seals import read_run
        from hilseq.reports import visit_lines

        try:
            record = read_run(folder)
        except (HilseqError, OSError, ValueError):
            self._warning = "The run did not begin; what is wrong stands above."
            self._ask("", "Press Enter to continue.", alone=False)
            return
        verdicts = visit_lines.verdicts_of(record, folder)
        self._clear()
        for told in verdicts:
            self._tally[told.disposition] += 1
            width = self._console.width
            self._print(visit_lines.verdict_lines(told, width, letters=True, full=True, huge=True))
        for line in self._labels(folder, verdicts):
            self._console.print(f"  {line}", markup=False)
        names = " and ".join(f"{serial} out of slot {slot}" for slot, (serial, _) in units.items())
        self._ask(f"Take {names}.", "Enter: the next unit.", alone=False)

    def _labels(self, folder: Path, verdicts: Sequence[Verdict]) -> Iterator[str]:
        """Make and print the labels of units that have a verdict; yield what came of it."""
        from hilseq.cli.report import make_reports
        from hilseq.verdicts import Disposition

        if not any(told.disposition in (Disposition.SHIP, Disposition.REPAIR) for told in verdicts):
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
        line = sys.stdin.readline()
        if not line:
            raise EOFError
        return line.strip()

    def _print(self, lines: Sequence[Text]) -> None:
        for line in lines:
            self._console.print(line)

    def _clear(self) -> None:
        """Begin a page: what stood there is done with."""
        if self._console.is_terminal:
            self._console.clear()


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
