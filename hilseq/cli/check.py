"""`hilseq check`: hold sequences against a stand and its units, without power."""

from __future__ import annotations

from typing import Annotated

import typer

from hilseq.cli.command import StandOption, UnitOption, say


def check_command(
    files: Annotated[
        list[str],
        typer.Argument(metavar="SEQUENCE", help="Sequence files or folders; shipped: those of hilseq."),
    ],
    stand: StandOption,
    unit: UnitOption = None,
) -> None:
    """Check sequences against a stand and a profile: fixtures, markers, stages, places, parameters, names of points.

    So are methods and limits that cannot be, and checks that state nothing. Nothing is powered, and no instrument is
    asked. Exit code: 0 all fits, 2 something does not; each problem is reported with file and line.

    Example: hilseq check shipped --stand stands/sim-bench.yaml --unit stands/units/rh16.yaml
    """
    from hilseq import resources
    from hilseq.cli.plan import collect
    from hilseq.description.loading import load_stand
    from hilseq.description.visit import describe_visit
    from hilseq.errors import UsageError
    from hilseq.plugin.options import unit_files
    from hilseq.verdicts import ExitCode

    slots = list(load_stand(stand).slots)
    chosen = unit_files(unit or [], slots, stand)
    visit = describe_visit(stand, chosen)
    found = collect(visit, chosen, resources.sequences(files))
    for problem in found.problems:
        say(f"hilseq: {problem}", err=True)
    if found.problems:
        raise typer.Exit(int(ExitCode.USAGE))
    if not found.tests:
        named = ", ".join(files)
        raise UsageError(
            f"there is no check in {named}: expected files test_*.py with functions whose names begin with test_"
        )
    stages = len(dict.fromkeys(row.stage for row in found.rows))
    many = "s" if len(found.rows) != 1 else ""
    typer.echo(f"{len(found.rows)} check{many} of {stages} stage{'s' if stages != 1 else ''}: all names fit")
