"""`hilseq resume`: continue an interrupted soak."""

from __future__ import annotations

import hashlib
import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from hilseq.journal.entries import InputFile, RunStarted


def resume_command(
    run: Annotated[Path, typer.Argument(metavar="RUN", help="Folder of the interrupted run.")],
    acknowledge: Annotated[
        bool, typer.Option("--acknowledge", help="The interlock that ended the run is put right.")
    ] = False,
) -> None:
    """Continue the interrupted soak of a run: same plan, same stand, the gap shown as a gap.

    Stand file, profile and seeds are those kept in the journal, whatever has become of the files since. The
    unit is brought back into its mode and under its load; the time lost is made up for at the end.

    Exit code: as hilseq run; 2 when there is nothing to continue.

    Example: hilseq resume runs/20260105-080000-RH-0001
    """
    from hilseq.cli.run import run_visit
    from hilseq.errors import UsageError
    from hilseq.journal.reader import find_journal, read_journal, run_state

    folder = find_journal(run).parent
    try:
        header = run_state(read_journal(folder)).header
    except ValueError as error:
        raise UsageError(f"{error}; there is nothing to continue") from error
    if not header.options.sequences:
        raise UsageError(f"{folder} was made by hilseq {header.hilseq}, which kept too little to continue it")
    with tempfile.TemporaryDirectory(prefix="hilseq-resume-") as scratch:
        arguments, sequences, stand = _again(
            header, Path(scratch), trusted=_signed_here(folder, header.stand)
        )
        arguments += ["--resume", str(folder)]
        if acknowledge:
            arguments.append("--acknowledge")
        code = run_visit([str(path) for path in sequences], arguments, stand)
    raise typer.Exit(code)


def _again(header: RunStarted, scratch: Path, *, trusted: bool) -> tuple[list[str], list[Path], Path]:
    """Return options, sequences and stand file of a run, its inputs written out of the journal."""
    from hilseq.errors import UsageError

    options = header.options
    stand = _written(_kept(header, "stand file"), scratch / "stand")
    arguments = ["--stand", str(stand), "--soak"]
    for number, unit in enumerate(header.units):
        slot = unit.slot
        text = _kept(header, f"profile of slot {slot}")
        arguments.append(f"--unit={slot}={_written(text, scratch / f'unit-{number}')}")
        arguments.append(f"--serial={slot}={unit.serial}")
    if options.simulate:
        arguments += ["--simulate", "--seed", str(header.seed)]
        arguments += ["--real-timing"] * options.real_timing
        arguments += [f"--defect={defect}" for defect in options.defects]
        if options.defect_files and not trusted:
            raise UsageError(
                f"the journal names {options.defect_files[0]} to be run, and this stand has not signed it"
            )
        arguments += [f"--defects={file}" for file in options.defect_files]
    if options.attended:
        arguments.append("--attended")
    if options.soak_duration is not None:
        arguments.append(f"--soak-duration={options.soak_duration!r} s")
    kept = [i for i in header.inputs if i.role == "sequence"]
    if len(kept) != len(options.sequences):
        raise UsageError(
            f"the journal names {len(options.sequences)} sequences and keeps {len(kept)}: no run wrote it"
        )
    sequences = [
        _unchanged(Path(path), text) or _own(text, scratch / f"sequence-{number}", trusted=trusted)
        for number, (path, text) in enumerate(zip(options.sequences, kept, strict=True))
    ]
    return arguments, sequences, stand


def _kept(header: RunStarted, role: str) -> InputFile:
    """Return the file that a run was given for something. Raises UsageError where its journal keeps none."""
    from hilseq.errors import UsageError

    for given in header.inputs:
        if given.role == role:
            return given
    raise UsageError(f"the journal keeps no {role}, so that the run cannot be continued: no run wrote it")


def _signed_here(folder: Path, stand: str) -> bool:
    """Return whether this stand itself has signed the beginning of a journal: what it was given then may run again."""
    from hilseq.errors import UsageError
    from hilseq.journal.reader import read_journal
    from hilseq.journal.signatures import read_signatures
    from hilseq.signing import stand_key

    signed = read_signatures(folder).heads
    if not signed:
        return False
    try:
        own = stand_key(stand).public
    except (UsageError, ImportError):
        return False
    links = read_journal(folder).links
    return any(
        head.key == own
        and head.holds
        and 1 <= head.lines <= len(links)
        and links[head.lines - 1] == head.chain
        for head in signed
    )


def _own(kept: InputFile, folder: Path, *, trusted: bool) -> Path:
    """Write a sequence out of a journal that this stand has signed. Raises UsageError for another one."""
    from hilseq.errors import UsageError

    if not trusted:
        raise UsageError(
            f"the sequence {kept.name} is not where it was, or is another one now, and this stand has not signed the "
            "copy in the journal: bring the file back as it was, then resume"
        )
    return _written(kept, folder)


def _unchanged(path: Path, kept: InputFile) -> Path | None:
    """Return the sequence where it was, if it is still the same: it may need its neighbours."""
    from hilseq.open_files import open_plain

    try:
        with open_plain(path) as file:
            same = hashlib.file_digest(file, "sha256").hexdigest() == kept.sha256
    except (OSError, ValueError):  # ValueError: a name that no file has
        return None
    return path if same else None


def _can_be_named(name: str) -> bool:
    """Return whether a file can have that name here: a NUL and an unpaired surrogate are in none."""
    try:
        return b"\0" not in os.fsencode(name)
    except UnicodeEncodeError:
        return False


def _written(kept: InputFile, folder: Path) -> Path:
    """Write a file of the run out of its journal. Raises UsageError for one that no run keeps."""
    from hilseq.errors import UsageError

    if kept.name in ("", ".", "..") or Path(kept.name).name != kept.name or not _can_be_named(kept.name):
        raise UsageError(
            f"the journal names a file {kept.name[:60]!r}, which is no plain file name: no run wrote it"
        )
    content = kept.text.encode("utf-8", "surrogatepass")
    if hashlib.sha256(content).hexdigest() != kept.sha256:
        raise UsageError(
            f"the text of {kept.role} {kept.name} in the journal is not the one whose hash is noted there"
        )
    folder.mkdir()
    path = folder / kept.name
    path.write_bytes(content)
    return path
