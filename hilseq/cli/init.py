"""`hilseq init`: a folder to start from."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from hilseq import resources
from hilseq.cli.schema import as_text, schema

_SEQUENCE = '''"""My first sequence: a file like this, in any folder, runs without registration."""

import pytest

from hilseq import Limits


@pytest.mark.stage("power-on")
@pytest.mark.place("supply")
def test_supply_holds_with_all_outputs_on(live_unit, supply, judge):
    """Supply voltage with every output on."""
    live_unit.outputs.drive(*live_unit.outputs.names)
    judge("loaded supply", supply.voltage(), Limits(23.5, 24.5))
'''
#: The comment by which an editor finds the schema of a YAML file.
_SCHEMA_LINE = "# yaml-language-server: $schema="
#: File in the new folder -> the shipped file it is a copy of.
_COPIES = {
    "stand.yaml": ("stands", "lan-bench.yaml"),
    "unit.yaml": ("stands", "units/rh16.yaml"),
    "REFERENCE.md": ("stands", "README.md"),
}


def init_command(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The new folder.")],
) -> None:
    """Make a folder with a stand file, a profile and a sequence to start from.

    Nothing that exists is written over.

    Example: hilseq init my-bench
    """
    from hilseq.errors import UsageError

    contents = {
        name: (resources.folder(room) / path).read_text(encoding="utf-8")
        for name, (room, path) in _COPIES.items()
    }
    for name in ("stand", "unit"):
        schema_file = f"{name}.schema.json"
        contents[f"{name}.yaml"] = f"{_SCHEMA_LINE}{schema_file}\n{contents[f'{name}.yaml']}"
        contents[schema_file] = as_text(schema(name))
    contents["checks/test_my_first.py"] = _SEQUENCE
    taken = [name for name in contents if (folder / name).exists()]
    if taken:
        raise UsageError(f"{folder / taken[0]} already exists and is not written over; choose another folder")
    for name, text in contents.items():
        path = folder / name
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        except OSError as error:
            raise UsageError(f"{path} cannot be written: {error.strerror}; choose another folder") from error
    typer.echo(
        f"{folder}/stand.yaml  your stand: put addresses, wiring and ceilings in\n"
        f"{folder}/unit.yaml   your unit: put limits and register map in\n"
        f"{folder}/checks/     your sequences\n\n"
        f"Check both files:    hilseq inspect {folder}/stand.yaml {folder}/unit.yaml\n"
        f"Rehearse simulated:  hilseq run --stand {folder}/stand.yaml --unit {folder}/unit.yaml "
        f"--serial TRY-1 --simulate"
    )
