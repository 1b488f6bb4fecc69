"""`hilseq simulate`: serve the simulated twin of a stand in the foreground, for other programs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from hilseq.cli.command import StandOption, UnitOption


def simulate_command(
    stand: StandOption,
    unit: UnitOption = None,
    serial: Annotated[
        list[str] | None, typer.Option(metavar="[SLOT=]SN", help="Serial number of the unit.")
    ] = None,
    seed: Annotated[int, typer.Option(min=0, metavar="N", help="Seed of the twin.")] = 0,
    real_timing: Annotated[
        bool, typer.Option("--real-timing", help="Draw how long the instruments take: scans, lags, answers.")
    ] = False,
    defect: Annotated[
        list[str] | None, typer.Option(metavar="KIND[@PLACE][,OPTION=VALUE…]", help="Defect; repeatable.")
    ] = None,
    defects: Annotated[
        list[Path] | None,
        typer.Option(metavar="FILE", help="Python file with kinds of defect of your own; repeatable."),
    ] = None,
    stepped: Annotated[
        bool, typer.Option("--stepped", help="Let time pass only when a client of the clock asks for it.")
    ] = False,
    stand_out: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write a stand file that points at this twin, for `hilseq run`."),
    ] = None,
) -> None:
    """Serve the simulated stand until Ctrl-C: SCPI, Modbus and serial lines on this computer.

    Prints one address per line. sim/README.md tells what answers there.

    Example: hilseq simulate --stand stands/sim-bench.yaml --unit stands/units/rh16.yaml
    """
    from hilseq.description.loading import load_stand
    from hilseq.description.visit import describe_visit
    from hilseq.errors import UsageError
    from hilseq.plugin.options import by_slot, unit_files
    from hilseq.twin import Twin, write_pointing_stand

    slots = list(load_stand(stand).slots)
    if stand_out is not None and stand_out.exists() and not load_stand(stand_out).simulated:
        raise UsageError(f"--stand-out {stand_out} is there, and no file of a twin; expected another name")
    units = unit_files(unit or [], slots, stand)
    serials = by_slot(serial or [], "--serial", slots)
    describe_visit(stand, units)
    twin = Twin(
        stand,
        units,
        serials=serials,
        seed=seed,
        defects=defect or [],
        clock="stepped" if stepped else "wall",
        real_timing=real_timing,
        defect_files=defects or [],
    )
    try:
        for name, address in twin.endpoints.items():
            typer.echo(f"{name}: {address}")
        if stand_out is not None:
            write_pointing_stand(stand, twin.endpoints, stand_out, stepped=stepped)
            typer.echo(f"stand file: {stand_out}")
        typer.echo("serving; Ctrl-C ends it", err=True)
        twin.wait()
    except KeyboardInterrupt:
        typer.echo("ended", err=True)
    finally:
        twin.close()
