"""The published JSON Schema: it takes what runs write, of every kind, and nothing else.

Every journal that a test makes through the command line is checked too, in `tests.warm`.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from hilseq.journal.chain import GENESIS, seal
from hilseq.journal.entries import (
    KINDS,
    CausesStated,
    CertificateStated,
    EventLogged,
    KnownCause,
    OperatorPrompt,
    Reading,
)
from hilseq.journal.reader import read_journal
from tests import warm
from tests.journal_schema import check_line, whole
from tests.journals import plan_compared

STORED = Path(__file__).resolve().parents[1] / "data" / "journals-v0"
RUNS = sorted(folder.name for folder in STORED.iterdir())


def _lines(name: str) -> list[dict[str, Any]]:
    """Return a stored run as the present version writes it."""
    lines, chain = [], GENESIS
    for number, entry in enumerate(read_journal(STORED / name).entries):
        line, chain = seal(number, entry.model_dump(), chain)
        lines.append(json.loads(line))
    return lines


@pytest.mark.parametrize("name", RUNS)
def test_every_line_of_a_run_is_valid(name: str) -> None:
    """A good one, a repair, a stand fault, soaks that ended, were interrupted and resumed, two slots."""
    for line in _lines(name):
        check_line(line)


def test_the_schema_as_a_whole_takes_one_of_each_kind_and_the_runs_have_them_all() -> None:
    found = {line["kind"]: line for name in RUNS for line in _lines(name)}
    found["plan compared"] = json.loads(seal(0, plan_compared().model_dump(), GENESIS)[0])  # none before
    stated = CausesStated(
        slot="A", causes=(KnownCause(name="battery", action="replace it", places=("clock",)),)
    )
    found["causes"] = json.loads(seal(0, stated.model_dump(), GENESIS)[0])
    paper = CertificateStated(slot="A", key_readings=("idle current",), waived=("clock drift: no time",))
    found["certificate"] = json.loads(seal(0, paper.model_dump(), GENESIS)[0])
    assert set(found) == set(KINDS)
    for line in found.values():
        assert whole().is_valid(line), line["kind"]


def test_what_a_person_was_asked_is_valid() -> None:
    prompt = OperatorPrompt(
        question="Is it dark?", expected=("yes", "no"), answer="yes", by="Kim", seconds=2.5
    )
    event = EventLogged(slot="A", what="answered", text="yes", prompt=prompt)
    check_line(json.loads(seal(0, event.model_dump(), GENESIS)[0]))


def test_a_value_that_is_no_number_is_text_that_the_schema_takes() -> None:
    """What is not finite has no JSON number; limits and uncertainty take the same three words."""
    known: dict[str, Any] = {"check": "c", "slot": "A", "name": "n", "unit": "V", "verdict": "fails"}
    for value in (float("nan"), float("inf")):
        reading = Reading(value=value, uncertainty=value, high=value, **known)
        line = json.loads(seal(0, reading.model_dump(), GENESIS)[0])
        assert line["value"] == line["high"] == str(value)
        check_line(line)


@pytest.mark.parametrize(
    "change", [{"more": 1}, {"kind": "nothing"}, {"v": 3}, {"t": "x"}, {"chain": "12"}, {"verdict": "fine"}]
)
def test_what_no_run_writes_is_not_valid(change: dict[str, Any]) -> None:
    line = next(line for line in _lines("good") if line["kind"] == "reading")
    assert whole().is_valid(line)
    assert not whole().is_valid(line | change)
    for name in line:
        assert not whole().is_valid({key: value for key, value in line.items() if key != name}), name


def test_every_field_says_what_it_is_or_has_a_name_that_does(tmp_path: Path) -> None:
    """The command prints it; whatever holds a number that is no count or number says its unit."""
    done = warm.hilseq("schema", "journal", cwd=tmp_path)
    schema = json.loads(done.stdout)
    silent = [
        f"{kind}.{name}"
        for kind, described in schema["$defs"].items()
        for name, field in described.get("properties", {}).items()
        if "number" in json.dumps(field) and "description" not in field
    ]
    assert silent == []
