"""`hilseq run`: one visit of one or more units to a stand."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from hilseq import gc_tuning, resources
from hilseq.cli.command import PytestCommand, StandOption, UnitOption
from hilseq.errors import UsageError, fenced, not_installed
from hilseq.verdicts import ExitCode

#: Longest wait for a detached run to begin, s.
_BEGINS = 60.0
#: What is for those who develop hilseq, look for leaks or write coroutines is not loaded.
#: Nor is what a project around the sequences asks of its own tests.
_PYTEST = "-o addopts= -p no:hypothesispytest -p no:unraisableexception -p no:threadexception -p no:anyio"


def _named(text: str) -> Path:
    """Return the path; an empty one, as a variable of a script may be, is not the present folder."""
    if not text.strip():
        raise typer.BadParameter("it is empty; expected a folder, `.` for this one")
    return Path(text)


def run_command(
    ctx: typer.Context,
    stand: StandOption,
    unit: UnitOption = None,
    serial: Annotated[
        list[str] | None,
        typer.Option(metavar="[SLOT=]SN", help="Serial number of the unit, unless the intake file holds it."),
    ] = None,
    slot: Annotated[str | None, typer.Option(metavar="SLOT", help="Test the unit in this slot only.")] = None,
    sequence: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="SEQUENCE",
            help="Sequence files or folders; shipped: those of hilseq (default). Options of pytest follow after --.",
        ),
    ] = None,
    simulate: Annotated[bool, typer.Option("--simulate", help="Use a simulated twin of the stand.")] = False,
    seed: Annotated[int, typer.Option(min=0, metavar="N", help="Seed of the simulated twin.")] = 0,
    real_timing: Annotated[
        bool,
        typer.Option(
            "--real-timing", help="Draw how long the twin's instruments take: scans, lags, answers."
        ),
    ] = False,
    defect: Annotated[
        list[str] | None,
        typer.Option(
            metavar="KIND[@PLACE][,OPTION=VALUE…]", help="Defect of the simulated twin; repeatable."
        ),
    ] = None,
    defects: Annotated[
        list[Path] | None,
        typer.Option(metavar="FILE", help="Python file with kinds of defect of your own; repeatable."),
    ] = None,
    attended: Annotated[
        bool, typer.Option("--attended", help="A person is there to act and answer.")
    ] = False,
    intake: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="What is known of the unit: work order, complaint, battery."),
    ] = None,
    note: Annotated[
        list[str] | None,
        typer.Option(metavar="[SLOT.]KEY=VALUE", help="One thing known of the unit; repeatable."),
    ] = None,
    retest: Annotated[
        Path | None,
        typer.Option(metavar="RUN", help="After a repair: begin with what failed in that run."),
    ] = None,
    soak: Annotated[bool, typer.Option("--soak", help="Run the soak of the profile too.")] = False,
    soak_duration: Annotated[
        str | None,
        typer.Option(metavar="TIME", help="Run the soak, shortened, such as 2h; the report says so."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="Folder for journal and reports (default: a dated one in runs/).",
            parser=_named,
        ),
    ] = None,
    detach: Annotated[
        bool, typer.Option("--detach", help="Run without this terminal: it continues after a logout.")
    ] = False,
    verbose: Annotated[
        bool, typer.Option("--verbose", "-v", help="Show each check and its readings.")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Show the verdict only.")] = False,
) -> None:
    """Test the units on a stand, unattended, and decide for each: ship, repair, or incomplete.

    A stand with several slots tests several units, each in a visit of its own, with a folder and a journal of its own:
    --unit FILE --serial A=SN1,B=SN2, or --unit A=… for each; with --out DIR their folders are DIR/A and DIR/B. The exit
    code is then the worst of all. --slot C --serial SN3 tests the unit in one slot.

    Exit code: 0 ship, 1 repair, 2 bad file or option (nothing was powered), 3 incomplete, 4 stand fault,
    75 somebody else uses the stand, or `hilseq safe` keeps it off (nothing was touched).

    Example: hilseq run --stand stands/sim-bench.yaml --unit stands/units/rh16.yaml --serial RH-0001 --simulate
    """
    if detach:
        raise typer.Exit(_detached(stand, out, serial or [], slot, attended=attended))
    # In one word each: pytest takes a path that stands alone for one whose project it is to be configured by.
    arguments = [f"--stand={stand}", f"--seed={seed}"]
    repeated = {"--unit": unit, "--serial": serial, "--defect": defect, "--defects": defects}
    repeated |= {"--note": note}
    single = {"--slot": slot, "--intake": intake, "--retest": retest}
    single |= {"--out": out, "--soak-duration": soak_duration}
    arguments += [f"{option}={value}" for option, values in repeated.items() for value in values or ()]
    arguments += [f"{option}={value}" for option, value in single.items() if value is not None]
    switches = {"--simulate": simulate, "--real-timing": real_timing, "--attended": attended, "--soak": soak}
    arguments += [option for option, given in switches.items() if given]
    detail = 2 if verbose else 0 if quiet else 1
    options = ctx.meta.get(PytestCommand.AFTER, ())
    several = intake is not None or len(serial or []) > 1 or any("," in text for text in serial or [])
    if slot is not None:
        from hilseq.description.loading import load_stand
        from hilseq.plugin.options import slot_of_option

        slot_of_option(slot, list(load_stand(stand).slots))
    elif several and not attended:
        from hilseq.cli.side_by_side import Asked, run_several

        asked = Asked(
            stand=stand,
            units=unit or [],
            serials=serial or [],
            sequences=sequence or [],
            simulate=simulate,
            seed=seed,
            real_timing=real_timing,
            defects=defect or [],
            defect_files=defects or [],
            intake=intake,
            notes=note or [],
            retest=retest,
            soak=soak,
            soak_duration=soak_duration,
            out=out,
            detail=detail,
            options=list(options),
        )
        code = run_several(asked)
        if code is not None:
            raise typer.Exit(code)
    raise typer.Exit(run_visit(list(sequence or []), arguments, stand, detail=detail, options=options))


def _detached(stand: Path, out: Path | None, serials: list[str], slot: str | None, *, attended: bool) -> int:
    """Start the same run without this terminal, and say where it is; return its exit code where it did not begin."""
    from hilseq.description.loading import load_stand
    from hilseq.journal.writer import FILE_NAME
    from hilseq.lease.holder import user_name
    from hilseq.plugin.options import by_slot, slot_of_option
    from hilseq.plugin.run_header import default_folder

    if attended:
        raise UsageError("--detach leaves the terminal, and --attended asks there; expected one of them")
    slots = list(load_stand(stand).slots)
    only = slot_of_option(slot, slots)
    folder = out or default_folder(list(by_slot(serials, "--serial", slots, only).values()))
    if (folder / FILE_NAME).exists():
        raise UsageError(
            f"{folder} already holds a run, and a journal is never written over: give another --out"
        )
    line = [word for word in sys.argv[1:] if word != "--detach"]
    end = line.index("--") if "--" in line else len(line)
    if out is None:
        line[end:end] = ["--out", str(folder)]
    log = folder.with_name(f"{folder.name}.log")
    log.parent.mkdir(parents=True, exist_ok=True)
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)  # inherited, and looked at by the run
    with log.open("ab") as output:
        run = subprocess.Popen(
            [sys.executable, "-P", "-m", "hilseq", *line],
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=output,
            start_new_session=True,
        )
    signal.signal(signal.SIGHUP, before)
    until = time.monotonic() + _BEGINS
    while run.poll() is None and time.monotonic() < until:
        # A folder for each of several units.
        if (folder / FILE_NAME).exists() or any(folder.glob(f"*/{FILE_NAME}")):
            break
        time.sleep(0.1)
    if run.returncode is not None:
        typer.echo(log.read_text(errors="replace").strip(), err=bool(run.returncode))
        return run.returncode
    typer.echo(f"process {run.pid}, run {folder}; its output is in {log}")
    typer.echo(f"see it with: hilseq watch {folder}")
    typer.echo(f"end it with: kill {run.pid}   or, with the stand: hilseq safe --stand {stand}")
    lingering = Path("/var/lib/systemd/linger") / user_name()
    if Path("/run/systemd/system").exists() and not lingering.exists():
        typer.echo("this computer may end it after the last logout; to be sure: loginctl enable-linger")
    return int(ExitCode.SHIP)


def run_visit(
    sequences: list[str], arguments: list[str], stand: Path, *, detail: int = 1, options: Sequence[str] = ()
) -> int:
    """Run pytest on the sequences with the visit's options and further ones of pytest; return the exit code.

    The description is checked first, so that its errors come as plain lines. Raises DescriptionError, UsageError.
    """
    with gc_tuning.left_while_loading():
        return _run_visit(resources.sequences(sequences), arguments, stand, detail, options)


def _run_visit(
    sequences: list[str], arguments: list[str], stand: Path, detail: int, options: Sequence[str]
) -> int:
    from hilseq.description.loading import load_stand
    from hilseq.open_files import require_open_files

    require_open_files()
    load_stand(stand)
    import pytest

    from hilseq.cli.view import Detail, ViewPlugin, own_output

    with own_output() as output:
        view = ViewPlugin(output, Detail(detail))
        line = [*sequences, *arguments, *options, "-o", f"cache_dir={_cache()}", *_PYTEST.split()]
        code = int(pytest.main(line, plugins=[view]))
    if view.folder is not None:
        _hand_to_records(view.folder)
    # pytest's own code for an option that it does not know is 4, which says here that the stand is at fault.
    return code if view.began or code != pytest.ExitCode.USAGE_ERROR else int(ExitCode.USAGE)


def _cache() -> Path:
    """Return where pytest keeps what failed last, for `--lf`: a folder of the person's, not of the sequences."""
    home = os.environ.get("XDG_CACHE_HOME") or "~/.cache"
    return Path(home).expanduser() / "hilseq" / "pytest"


def _hand_to_records(folder: Path) -> None:
    """Import the run that has ended where records are named; when they cannot be reached, it waits there."""
    where = os.environ.get("HILSEQ_RECORDS")
    if not where:
        return
    with fenced("the records do not have this run yet"):
        try:
            from hilseq.records.synchronising import sync
        except ModuleNotFoundError as error:
            raise not_installed(error.name or "sqlalchemy") from None
        result = sync(folder, where)
        if result.warning or result.refused:
            raise UsageError(result.warning or result.refused[0][1])
