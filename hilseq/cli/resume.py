"""`hilseq resume`: continue an interrupted soak."""

from __future__ import annotations

import hashlib
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
        arguments, sequences, stand = _again(header, Path(scratch))
        arguments += ["--resume", str(folder)]
        if acknowledge:
            arguments.append("--acknowledge")
        code = run_visit([str(path) for path in sequences], arguments, stand)
    raise typer.Exit(code)


def _again(header: RunStarted, scratch: Path) -> tuple[list[str], list[Path], Path]:
    """Return options, sequences and stand file of a run, its inputs written out of the journal."""
    options = header.options
    stand = _written(next(i for i in header.inputs if i.role == "stand file"), scratch / "stand")
    arguments = ["--stand", str(stand), "--soak"]
    for unit in header.units:
        slot = unit.slot
        text = next(i for i in header.inputs if i.role == f"profile of slot {slot}")
        arguments.append(f"--unit={slot}={_written(text, scratch / f'unit-{slot}')}")
        arguments.append(f"--serial={slot}={unit.serial}")
    if options.simulate:
        arguments += ["--simulate", "--seed", str(header.seed)]
        arguments += ["--real-timing"] * options.real_timing
        arguments += [f"--defect={defect}" for defect in options.defects]
        arguments += [f"--defects={file}" for file in options.defect_files]
    if options.attended:
        arguments.append("--attended")
    if options.soak_duration is not None:
        arguments.append(f"--soak-duration={options.soak_duration!r} s")
    kept = [i for i in header.inputs if i.role == "sequence"]
    sequences = [
        _unchanged(Path(path), text) or _written(text, scratch / f"sequence-{number}")
        for number, (path, text) in enumerate(zip(options.sequences, kept, strict=True))
    ]
    return arguments, sequences, stand


def _unchanged(path: Path, kept: InputFile) -> Path | None:
    """Return the sequence where it was, if it is still the same: it may need its neighbours."""
    try:
        same = hashlib.sha256(path.read_bytes()).hexdigest() == kept.sha256
    except OSError:
        return None
    return path if same else None


def _written(kept: InputFile, folder: Path) -> Path:
    folder.mkdir()
    path = folder / kept.name
    path.write_text(kept.text, encoding="utf-8")
    return path
