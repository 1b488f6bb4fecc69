"""`hilseq verify`: tells whether a certificate, report, label or summary is the one that a journal makes."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def verify_command(
    file: Annotated[
        Path,
        typer.Argument(help="Certificate, report, label, summary, or the journal itself.", metavar="FILE"),
    ],
    run: Annotated[Path, typer.Argument(help="Folder of the run, or its journal.", metavar="RUN")],
    *,
    json: Annotated[bool, typer.Option("--json", help="Print the answer as JSON, for programs.")] = False,
) -> None:
    """Tell whether a file is the one that this run's journal makes, and whether journal and samples are sound.

    Exit code 0: genuine. 1: file, journal or samples were changed, do not belong together, or samples are missing.
    2: cannot tell.

    Example: hilseq verify certificate-RH0001.pdf runs/20261125-081200-RH0001
    """
    from hilseq.reports.verify import VerifyOutcome, as_json, verify

    result = verify(file, run)
    if json:
        import json as json_module

        typer.echo(json_module.dumps(as_json(result), indent=2))
    else:
        typer.echo(result.told, err=result.outcome is not VerifyOutcome.GENUINE)
    raise typer.Exit(int(result.outcome))
