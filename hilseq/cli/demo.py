"""`hilseq demo`: a good unit and a defective one on the simulated bench, with reports."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from hilseq import resources
from hilseq.verdicts import ExitCode

#: What the unit is, its serial number, its defects, and the exit code that the visit must end with.
_VISITS = (
    ("First a unit without a defect.", "RH-000101", (), 0),
    (
        "Then one with two outputs shorted together, which forgets its configuration.",
        "RH-000102",
        ("outputs-shorted@q05+q06", "configuration-not-kept"),
        1,
    ),
)


def demo_command(
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder for the runs (default: a dated one in runs/).")
    ] = None,
    slots: Annotated[
        int | None,
        typer.Option(
            metavar="N", min=2, max=8, help="Test so many units at once on a bench with eight slots."
        ),
    ] = None,
) -> None:
    """Run the whole job on a simulated bench: one unit that may ship, and one that goes to repair.

    Needs no hardware. Exit code 0 when all end as expected, 3 when it was ended.

    Example: hilseq demo

    Example: hilseq demo --slots 4
    """
    stands = resources.folder("stands")
    folder = out or Path("runs") / f"{datetime.now(UTC):%Y%m%d-%H%M%S}-demo"
    if slots is not None:
        raise typer.Exit(_rack(stands, folder, slots))
    right = True
    for about, serial, defects, expected in _VISITS:
        typer.echo(about)
        line = ["--simulate", "--serial", serial]
        line += ["--stand", str(stands / "sim-bench.yaml"), "--unit", str(stands / "units" / "rh16.yaml")]
        line += ["--out", str(folder / serial)]
        if not defects:
            line.append("--quiet")
        for defect in defects:
            line += ["--defect", defect]
        code = _visit(line)
        right = right and code == expected
    if not right:
        typer.echo("hilseq: the demo did not end as expected; please report this", err=True)
        raise typer.Exit(1)


def _visit(line: list[str]) -> int:
    """Make a visit; return its exit code. One that was ended ends the demo, with the code of the visit."""
    from hilseq.cli.side_by_side import visit_here

    code, heard = visit_here(line)
    if heard:
        raise typer.Exit(code)
    return code


def _rack(stands: Path, folder: Path, slots: int) -> int:
    """Test several units at once, the second with two outputs shorted; return 0 when they end as they must."""
    typer.echo(
        f"{slots} units at once, each in a visit of its own; the second has two outputs shorted together."
    )
    serials = ",".join(f"{slot}=RH-0001{n:02d}" for n, slot in enumerate("ABCDEFGH"[:slots], 1))
    line = ["--simulate", "--serial", serials, "--quiet"]
    line += ["--stand", str(stands / "rack-bench.yaml"), "--unit", str(stands / "units" / "rh16.yaml")]
    line += ["--defect", "outputs-shorted@B.q05+q06", "--out", str(folder)]
    code = _visit(line)
    if code != ExitCode.REPAIR:
        typer.echo("hilseq: the demo did not end as expected; please report this", err=True)
        return 1
    typer.echo(f"The whole bench: hilseq watch {folder}   or, in a browser: hilseq serve --runs {folder}")
    return 0
