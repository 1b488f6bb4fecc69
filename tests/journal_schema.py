"""A journal against the published JSON Schema: every line, as another program would check it."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator

from hilseq.journal.entries import journal_schema

#: So many lines of each kind: hundreds of visits are checked, of which each takes longer to check than to read.
_ENOUGH = 8


@cache
def whole() -> Draft202012Validator:
    """Return the validator of any line."""
    schema = journal_schema()
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


@cache
def _by_kind() -> dict[str, Draft202012Validator]:
    """Return the validator of each kind: that of any line tries them all, which takes long for a whole run."""
    schema = journal_schema()
    return {
        kind: Draft202012Validator({"$ref": reference, "$defs": schema["$defs"]})
        for kind, reference in schema["discriminator"]["mapping"].items()
    }


def check_line(line: dict[str, Any]) -> None:
    """Raise an AssertionError that names what is wrong with a line."""
    errors = list(_by_kind()[line["kind"]].iter_errors(line))
    assert not errors, f"line {line['n']}: {errors[0].json_path}: {errors[0].message}"


def check_journal(folder: Path) -> None:
    """Check the journal of a run, where there is one: some whole lines of each kind, drawn over all of it."""
    path = folder / "journal.jsonl"
    if not path.is_file():
        return
    kinds: dict[str, list[dict[str, Any]]] = {}
    for text in path.read_bytes().splitlines(keepends=True):
        if text.endswith(b"\n"):
            line = json.loads(text)
            kinds.setdefault(line["kind"], []).append(line)
    for lines in kinds.values():
        for line in lines[:: -(-len(lines) // _ENOUGH)]:
            check_line(line)
