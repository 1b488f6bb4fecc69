"""The published JSON Schemas: what hilseq accepts they accept, and a slip of the pen they mark."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path
from typing import Any

import pytest

from hilseq.cli.init import init_command
from hilseq.description.loading import kind_of
from hilseq.description.reference import FILES, schema_of
from hilseq.description.yaml_text import compose, read_yaml

jsonschema = pytest.importorskip("jsonschema")

STANDS = Path(__file__).parents[2] / "stands"
SHIPPED = sorted(STANDS.rglob("*.yaml"))


def as_json(value: Any) -> Any:
    """Return a YAML value as an editor sees it: keys and dates are texts."""
    if isinstance(value, dict):
        return {str(key): as_json(below) for key, below in value.items()}
    if isinstance(value, list):
        return [as_json(below) for below in value]
    return value.isoformat() if isinstance(value, dt.date) else value


def faults(kind: str, document: Any) -> list[str]:
    """Return what the schema says against a document, by place."""
    schema = schema_of(kind)
    jsonschema.Draft202012Validator.check_schema(schema)
    found = jsonschema.Draft202012Validator(schema).iter_errors(as_json(document))
    return [f"{'.'.join(map(str, fault.absolute_path))}: {fault.message}" for fault in found]


def document(path: Path) -> tuple[str, Any]:
    written, _ = read_yaml(path)
    return {"stand": "stand", "profile": "unit"}[str(kind_of(written))], written.plain()


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_each_shipped_file_validates(path: Path) -> None:
    """Stand files and profiles, ranges of names and all."""
    kind, content = document(path)
    assert faults(kind, content) == []


@pytest.mark.parametrize(
    ("file", "place", "value", "words"),
    [
        ("sim-bench.yaml", ("suplies",), {}, "'suplies' was unexpected"),
        ("sim-bench.yaml", ("io", "rack", "adress"), "192.0.2.1:502", "'adress' was unexpected"),
        ("sim-bench.yaml", ("signals", "ambient", "table"), "coils", "'coils' is not one of ['coil'"),
        ("units/rh16.yaml", ("ratings", "supply"), 24, "24 is not of type 'string'"),
        ("units/rh16.yaml", ("points", "outputs", "q01..q16", "setle"), "50 ms", "'setle' was unexpected"),
        ("units/rh16.yaml", ("decision-rule",), "strict", "'strict' does not match '^(guarded|simple|"),
    ],
)
def test_a_slip_is_marked(file: str, place: tuple[str, ...], value: Any, words: str) -> None:
    """A misspelt key, a word that is none, a number without its unit: at its place."""
    kind, content = document(STANDS / file)
    below = content
    for key in place[:-1]:
        below = below[key]
    below[place[-1]] = value
    found = faults(kind, content)
    assert len(found) == 1
    assert words in found[0]


@pytest.mark.parametrize(
    ("text", "sound"),
    [
        ("work-order: 4711\nbattery-date: 2024-03\nbattery-pulled: no\n", True),
        ("A: {serial: 0012}\nB: {serial: RH-2, complaint: dead}\n", True),
        ("work-oder: 4711\n", False),
        ("A: {seriall: 12}\n", False),
    ],
)
def test_an_intake_file_has_a_schema_too(text: str, sound: bool) -> None:
    """One sheet, or one for each slot."""
    written, _ = compose(text, Path("intake.yaml"))
    assert (faults("intake", written.plain()) == []) is sound


@pytest.mark.parametrize("kind", FILES)
def test_each_key_says_what_it_means(kind: str) -> None:
    """An editor shows it beside the key, with what holds without it; no default stands as a bare number."""
    schema = schema_of(kind)
    text = json.dumps(schema)
    assert '"default"' not in text
    for mapping in [schema, *schema.get("$defs", {}).values()]:
        for key, about in mapping.get("properties", {}).items():
            assert about.get("description"), key
    if kind == "unit":
        assert "(without it: 50 ms)" in schema["$defs"]["OutputPoint"]["properties"]["settle"]["description"]


def test_init_writes_files_that_name_their_schema(tmp_path: Path) -> None:
    """By the comment that YAML editors read, with the schema beside them; the files are sound with it."""
    init_command(tmp_path)
    for kind in ("stand", "unit"):
        file = tmp_path / f"{kind}.yaml"
        first = file.read_text(encoding="utf-8").splitlines()[0]
        assert first == f"# yaml-language-server: $schema={kind}.schema.json"
        assert json.loads((tmp_path / f"{kind}.schema.json").read_text(encoding="utf-8")) == schema_of(kind)
        assert document(file)[0] == kind
