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
    "README.md": ("stands", "README.md"),
    "TOPICS.md": ("stands", "TOPICS.md"),
    "REFERENCE.md": ("stands", "REFERENCE.md"),
    "SEQUENCES.md": ("sequences", "README.md"),
}
#: What the shipped files call a file -> its name in the new folder; files that are not copied keep their shipped names.
_NAMES = {
    "stands/REFERENCE.md": "REFERENCE.md",
    "stands/TOPICS.md": "TOPICS.md",
    "stands/README.md": "README.md",
    "sequences/README.md": "SEQUENCES.md",
    "run shipped my_checks": "run shipped checks",
    "[`lan-bench.yaml`](lan-bench.yaml)": "`stand.yaml`",
    "[`sim-bench.yaml`](sim-bench.yaml), [`units/rh16.yaml`](units/rh16.yaml)": "`unit.yaml` and the stand of the demo",
    "[`dx08-bench.yaml`](dx08-bench.yaml), [`units/dx08.yaml`](units/dx08.yaml)": "shipped with hilseq",
    "[`duo-bench.yaml`](duo-bench.yaml), [`rack-bench.yaml`](rack-bench.yaml)": "shipped with hilseq",
    "my-bench.yaml units/rh16.yaml": "stand.yaml unit.yaml",
    "units/rh16.yaml": "unit.yaml",
}
#: Section of the profile -> where its values come from: each is marked as one to change.
_MARKS = {
    "part": "the type number on the label",
    "description": "one sentence for people",
    "ratings": "the data sheet",
    "start": "the data sheet; the currents from a few units that you trust",
    "identity": "what it says of itself; leave out what it lacks",
    "link": "the register map of its manual; leave out what it lacks",
    "modes": "its mode switch, or `mode-command` in `link`",
    "indicator": "its lamps, or leave it out",
    "points": "its terminals",
    "ports": "its ports, or leave it out",
    "faults": "its table of stored faults, or leave it out",
    "causes": "what repair has shown to be behind a failure, or leave it out",
    "configuration": "the configuration it is to have, or leave it out",
    "key-readings": "what the certificate shows with limits and uncertainty, or leave it out",
    "battery": "the data sheet, or leave it out",
    "clock": "the data sheet, or leave it out",
    "highest-case": "the data sheet, or leave it out",
    "rack-positions": "places for neighbours, or leave it out",
    "margins": "how its supply range is searched, or leave it out",
    "cycling": "what is to be claimed of its starts, or leave it out",
    "soak": "how long and how it runs under load, or leave it out",
}


def _in_the_folder(text: str) -> str:
    """Return a copied text with the names that its files have in the new folder."""
    for shipped, name in _NAMES.items():
        text = text.replace(shipped, name)
    return text


def _marked(profile: str) -> str:
    """Return a profile with a mark at each section: all of it is an invented unit's."""
    lines = []
    for line in profile.splitlines():
        source = _MARKS.get(line.partition(":")[0])
        lines.append(f"# <== {source}\n{line}" if source is not None else line)
    return "\n".join(lines) + "\n"


def init_command(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The new folder.")],
    slots: Annotated[
        int | None, typer.Option(metavar="N", min=1, max=64, help="A bench of so many slots that are alike.")
    ] = None,
    outputs: Annotated[
        int | None, typer.Option(metavar="N", min=1, max=512, help="With --slots: outputs of a unit (16).")
    ] = None,
    inputs: Annotated[
        int | None, typer.Option(metavar="N", min=1, max=512, help="With --slots: inputs of a unit (16).")
    ] = None,
) -> None:
    """Make a folder with a stand file, a profile, a sequence and the documents to start from.

    What is to be changed is marked with <==. Nothing that exists is written over. Without --slots the stand is a bench
    with one slot whose every line is explained, and the unit one with everything that a profile can hold.

    Example: hilseq init my-bench

    Example: hilseq init my-rack --slots 8 --outputs 32 --inputs 24
    """
    from hilseq.errors import UsageError

    if slots is None and (outputs or inputs):
        raise UsageError("--outputs and --inputs are for a bench of alike slots: give --slots too")

    contents = {
        name: _in_the_folder((resources.folder(room) / path).read_text(encoding="utf-8"))
        for name, (room, path) in _COPIES.items()
    }
    contents["unit.yaml"] = _marked(contents["unit.yaml"])
    serials = "TRY-1"
    if slots is not None:
        from hilseq.cli.alike_slots import bench_files, example_serials

        serials = example_serials(slots)
        contents["stand.yaml"], contents["unit.yaml"] = bench_files(slots, outputs or 16, inputs or 16)
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
        f"{folder}/stand.yaml  your stand: put addresses, wiring and ceilings in, where <== stands\n"
        f"{folder}/unit.yaml   your unit: put limits and register map in, where <== stands\n"
        f"{folder}/checks/     your sequences\n"
        f"{folder}/README.md   how a bench is described, step by step\n\n"
        f"Check both files:    hilseq inspect {folder}/stand.yaml {folder}/unit.yaml\n"
        f"Rehearse simulated:  hilseq run --stand {folder}/stand.yaml --unit {folder}/unit.yaml "
        f"--serial {serials} --simulate"
    )
