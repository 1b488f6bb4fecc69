"""A journal against the published JSON Schema: every line, as another program would check it."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator

from hilseq.journal.entries import journal_schema


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
    """Check every whole line of the journal of a run, where there is one."""
    path = folder / "journal.jsonl"
    if path.is_file():
        for text in path.read_bytes().splitlines(keepends=True):
            if text.endswith(b"\n"):
                check_line(json.loads(text))
