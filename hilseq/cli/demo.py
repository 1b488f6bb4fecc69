"""`hilseq demo`: a good unit and a defective one on the simulated bench, with reports."""

from __future__ import annotations

import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from hilseq import resources

#: Serial number, defects, and the exit code that the visit must end with.
_VISITS = (
    ("RH-000101", (), 0),
    ("RH-000102", ("outputs-shorted@q05+q06", "configuration-not-kept"), 1),
)


def demo_command(
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder for the runs (default: a dated one in runs/).")
    ] = None,
) -> None:
    """Run the whole job on a simulated bench: one unit that may ship, and one that goes to repair.

    Needs no hardware. Exit code 0 when both end as they must.

    Example: hilseq demo
    """
    stands = resources.folder("stands")
    folder = out or Path("runs") / f"{datetime.now(UTC):%Y%m%d-%H%M%S}-demo"
    right = True
    for serial, defects, expected in _VISITS:
        about = "with defects " + ", ".join(defects) if defects else "without a defect"
        typer.echo(f"\n--- {serial}: a unit {about}\n")
        line = [sys.executable, "-m", "hilseq", "run", "--simulate", "--serial", serial]
        line += ["--stand", str(stands / "sim-bench.yaml"), "--unit", str(stands / "units" / "rh16.yaml")]
        line += ["--out", str(folder / serial)]
        if not defects:
            line.append("--quiet")
        for defect in defects:
            line += ["--defect", defect]
        code = subprocess.run(line, check=False).returncode
        right = right and code == expected
    typer.echo(f"\nOpen the reports in a browser: {folder}/*/report-*.html")
    if not right:
        typer.echo("hilseq: the demo did not end as it must; please report this", err=True)
        raise typer.Exit(1)
