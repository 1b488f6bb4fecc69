"""`hilseq wiring`: the wiring list of a stand as CSV, out of a stand file and back into one."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from hilseq.cli.command import CliCommand, Group, StandOption


def make_wiring_app() -> typer.Typer:
    """Return the sub-commands of `hilseq wiring`."""
    app = typer.Typer(
        cls=Group,
        help="The wiring list of a stand as CSV: out of a stand file, and into one.",
        no_args_is_help=True,
        add_completion=False,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
    )
    app.command("export", cls=CliCommand)(export_command)
    app.command("import", cls=CliCommand)(import_command)
    return app


def export_command(
    stand: StandOption,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The CSV file to write; printed otherwise.")
    ] = None,
) -> None:
    """Write the signals of a stand file as CSV, one wire a row: signal, slot, terminal, direction, io, address.

    A file that exists is not written over.

    Example: hilseq wiring export --stand stands/sim-bench.yaml --out wiring.csv
    """
    from hilseq.description.wiring_list import export_wiring

    _hand_out(export_wiring(stand), out)


def import_command(
    table: Annotated[
        Path, typer.Argument(metavar="CSV", help="The wiring list, with the headings of the export.")
    ],
    stand: StandOption,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The stand file to write; printed otherwise.")
    ] = None,
) -> None:
    """Write a stand file anew with the wires of a CSV file in place of its own; all else stays as it is.

    Commas, semicolons or tabs part the cells. Every fault is told as FILE:LINE:CELL, and nothing is written then. A
    file that exists is not written over.

    Example: hilseq wiring import wiring.csv --stand stands/sim-bench.yaml --out my-bench.yaml
    """
    from hilseq.description.wiring_list import import_wiring

    _hand_out(import_wiring(table, stand), out)


def _hand_out(text: str, out: Path | None) -> None:
    from hilseq.errors import UsageError

    if out is None:
        typer.echo(text, nl=False)
        return
    try:
        with out.open("x", encoding="utf-8", newline="") as file:
            file.write(text)
    except FileExistsError:
        raise UsageError(f"{out} already exists and is not written over; choose another file") from None
    except OSError as error:
        raise UsageError(f"{out} cannot be written: {error.strerror}; choose another file") from error
