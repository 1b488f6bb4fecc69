"""`hilseq init`: a folder to start from."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Annotated

import typer

from hilseq import resources
from hilseq.cli.schema import as_text, schema
from hilseq.errors import UsageError

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
    "identity": "what it reports about itself; leave out what it lacks",
    "link": "the register map of its manual; leave out what it lacks",
    "modes": "its mode switch, or `mode-command` in `link`",
    "indicator": "its lamps, or leave it out",
    "points": "its terminals",
    "ports": "its ports, or leave it out",
    "faults": "its table of stored faults, or leave it out",
    "causes": "causes of failures that repairs have shown, or leave it out",
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

#: Outputs of one supply: what most instruments with several have at most.
_OUTPUTS_OF_A_SUPPLY = 4
#: Letters for the slots; with more of them they are numbered.
_LETTERS = 26
#: Signals that one stand file may hold (`description.ranges`), and those that no slot has.
_MOST_SIGNALS, _FREE_SIGNALS = 4096, 1


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
        int | None,
        typer.Option(
            metavar="N", min=1, max=512, help="Outputs of a unit on such a bench, one slot by default (16)."
        ),
    ] = None,
    inputs: Annotated[
        int | None,
        typer.Option(
            metavar="N", min=1, max=512, help="Inputs of a unit on such a bench, one slot by default (16)."
        ),
    ] = None,
) -> None:
    """Make a folder with a stand file, a profile, a sequence and the documents to start from.

    What is to be changed is marked with <==. Nothing that exists is written over. Without a number the stand is a bench
    with one slot whose every line is explained, and the unit one with everything that a profile can hold.

    Example: hilseq init my-bench

    Example: hilseq init my-bench --outputs 12 --inputs 10

    Example: hilseq init my-rack --slots 8 --outputs 32 --inputs 24
    """
    if slots is None and (outputs or inputs):
        slots = 1
    contents = {
        name: _in_the_folder((resources.folder(room) / path).read_text(encoding="utf-8"))
        for name, (room, path) in _COPIES.items()
    }
    contents["unit.yaml"] = _marked(contents["unit.yaml"])
    serials = "TRY-1"
    if slots is not None:
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


# -- a bench of slots that are alike, and its unit ---------------------------------------------------------


def bench_files(slots: int, outputs: int, inputs: int) -> tuple[str, str]:
    """Return the stand file and the profile. Raises UsageError for more than one stand file holds."""
    signals = slots * 2 * (outputs + inputs) + _FREE_SIGNALS
    if signals > _MOST_SIGNALS:
        raise UsageError(
            f"{slots} slots with {outputs} outputs and {inputs} inputs have {signals} signals; one stand file holds "
            f"at most {_MOST_SIGNALS}: make two stands of them"
        )
    names = _slot_names(slots)
    q, i = _names("q", outputs), _names("i", inputs)
    many = slots > 1
    all_slots, hosts = _range(names), f"{{101..{100 + slots}}}" if many else "101"
    alike = f"# A bench of {slots} slots that are alike: `{all_slots}` stands for all of them."
    words = {
        "about": alike if many else "# A bench with one slot.",
        "rules": "TOPICS.md, *Many slots*, has the rules;"
        if many
        else "README.md builds such a bench step by step;",
        "count": f"{slots} slots" if many else "one slot",
        "order": "The first slot first, then the others at the addresses that follow."
        if many
        else "The wiring list.",
        "whose": "the units' own addresses" if many else "the unit's own address",
        "where": " of slot {slot}" if many else "",
        "each": f"{all_slots} " if many else "",
        "one": f"{names[0]} " if many else "",
        "hosts": hosts,
        "outputs": outputs,
        "inputs": inputs,
        "slot_range": all_slots,
        "first": names[0],
        "cover": slots * (outputs + inputs),
        "behind_outputs": slots * outputs,
        "q": _range(q),
        "v": _range(_names("v", outputs)),
        "i": _range(i),
        "bi": _range(_names("bi", inputs)),
        "q1": q[0],
        "volts": "scale: 0.001, unit: V",
        "accuracy": "0.1 % + 20 mV",
        "q_last": q[-1],
        "i1": i[0],
        "at_inputs": _range([f"at {name}" for name in i]),
    }
    supplies = [
        _template("supply").substitute(
            names=_range([f"p{n}" for n in numbers]),
            host=10 + order,
            which="the first; the others count on" if len(numbers) > 1 else "number of the output",
        )
        for order, numbers in enumerate(_by_supply(slots))
    ]
    stand = _template("bench").substitute(words, supplies="".join(supplies))
    return stand, _template("unit").substitute(words)


def example_serials(slots: int) -> str:
    """Return how serial numbers are given on such a bench, for its first units."""
    if slots == 1:
        return "TRY-1"
    return ",".join(f"{slot}=TRY-{n}" for n, slot in enumerate(_slot_names(slots)[:2], 1))


def _template(name: str) -> Template:
    text = files("hilseq.cli").joinpath("templates", f"{name}.yaml.in").read_text("utf-8")
    return Template(text)


def _by_supply(slots: int) -> list[range]:
    """Return the numbers of the slots that each instrument feeds."""
    step = _OUTPUTS_OF_A_SUPPLY
    return [range(first, min(first + step, slots + 1)) for first in range(1, slots + 1, step)]


def _slot_names(count: int) -> list[str]:
    return [chr(ord("A") + n) for n in range(count)] if count <= _LETTERS else _names("S", count)


def _names(word: str, count: int) -> list[str]:
    width = len(str(count))
    return [f"{word}{n:0{width}d}" for n in range(1, count + 1)]


def _range(names: list[str]) -> str:
    return f"{names[0]}..{names[-1]}" if len(names) > 1 else names[0]
