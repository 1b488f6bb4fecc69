"""The reference of what a sequence may use, made from the docstrings of fixtures and of what `import hilseq` offers.

    .venv/bin/python -m tests.sequence_reference > sequences/REFERENCE.md

A test holds the file against what this makes; the examples are those of tests/sequence_examples.py, which a test runs.
"""

from __future__ import annotations

import ast
import inspect
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import hilseq
from hilseq.plugin import fixtures

ROOT = Path(__file__).resolve().parents[1]
EXAMPLES = ROOT / "tests" / "sequence_examples.py"
REFERENCE = ROOT / "sequences" / "REFERENCE.md"
#: Fixtures of the plugin that sequences have no use for.
_INTERNAL = {"visit_run", "slot", "measured", "once", "run_soak"}
#: Examples that show no fixture but what can be done with one.
_FURTHER = {
    "test_register": "Any register of the unit",
    "test_arithmetic": "Arithmetic on measured values",
    "test_not_performed": "What cannot be done here",
}

_STAND_REGISTERS = (
    "The stand's registers are its signals: `signals.read(name)`, `signals.measure(name)` with its uncertainty. "
    "Any other register of the unit is read by `unit.link.read(Register(\u2026))`."
)


def fixture_functions() -> dict[str, Any]:
    """Return the fixtures that a sequence may ask for, by name."""
    found = {}
    for name, thing in vars(fixtures).items():
        if type(thing).__name__ == "FixtureFunctionDefinition" and name not in _INTERNAL:
            found[name] = thing._get_wrapped_function()
    return found


def examples() -> dict[str, str]:
    """Return the source of each example by the name of its function."""
    text = EXAMPLES.read_text(encoding="utf-8")
    lines = text.splitlines()
    found = {}
    for node in ast.parse(text).body:
        if isinstance(node, ast.FunctionDef):
            first = min([node.lineno, *(decorator.lineno for decorator in node.decorator_list)])
            found[node.name] = "\n".join(lines[first - 1 : node.end_lineno])
    return found


def _words(thing: Any) -> str:
    return " ".join((inspect.getdoc(thing) or "").split("\n\n", maxsplit=1)[0].split())


def _signature(thing: Any) -> str:
    try:
        text = str(inspect.signature(thing))
    except (TypeError, ValueError):
        return "(\u2026)"
    text = re.sub(r"hilseq(?:\.\w+)+\.(\w+)", r"\1", text.replace("'", ""))
    text = re.sub(r"\(self(?:, )?", "(", text)
    return re.sub(r"<[^>]*>", "\u2026", text)


def _members(kind: type) -> Iterator[str]:
    """Yield the public methods and properties of a class, each with its first sentence."""
    for name, member in inspect.getmembers(kind):
        if (
            name.startswith("_")
            or name in dir(Exception)
            or "pydantic" in str(getattr(member, "__module__", ""))
        ):
            continue
        if inspect.isfunction(member):
            if "pydantic" not in (inspect.getmodule(member) or sys).__name__:
                yield f"- `{name}{_signature(member)}`: {_words(member)}"
        elif isinstance(member, property) and not name.startswith("model_"):
            yield f"- `{name}`: {_words(member)}"


def _type_of(function: Any) -> Any:
    reported = inspect.signature(function).return_annotation
    match = re.fullmatch(r"(?:Iterator\[)?(\w+)\]?", str(reported))
    return getattr(hilseq, match[1], None) if match is not None else None


def as_markdown() -> str:
    """Return the whole reference."""
    shown = examples()
    parts = [
        "# What a sequence may use",
        "Made from the docstrings by `python -m tests.sequence_reference`; a test keeps it so, and runs every example.",
        "## Fixtures",
    ]
    for name, function in sorted(fixture_functions().items()):
        parts.append(f"### `{name}`")
        parts.append(_words(function))
        kind = _type_of(function)
        if inspect.isclass(kind):
            parts.append(f"A `{kind.__name__}`:")
            parts.append("\n".join(_members(kind)) or "no members")
        parts.append(f"```python\n{shown[f'test_{name}']}\n```")
    for name, title in _FURTHER.items():
        parts += [f"## {title}", f"```python\n{shown[name]}\n```"]
    parts.append(_STAND_REGISTERS)
    parts.append("## Names of `hilseq`")
    for name in hilseq.__all__:
        thing = getattr(hilseq, name)
        if name.startswith("__"):
            continue
        if isinstance(thing, ModuleType):
            functions = [
                f"- `{inner}{_signature(made)}`: {_words(made)}"
                for inner, made in sorted(vars(thing).items())
                if inspect.isfunction(made)
                and made.__module__ == thing.__name__
                and not inner.startswith("_")
            ]
            parts += [f"### `{name}`", _words(thing), "\n".join(functions)]
        elif inspect.isfunction(thing):
            parts += [f"### `{name}{_signature(thing)}`", _words(thing)]
        elif inspect.isclass(thing):
            parts += [f"### `{name}`", _words(thing)]
        else:
            parts += [f"### `{name}`", f"`{type(thing).__name__}`."]
    return "\n\n".join(parts) + "\n"


if __name__ == "__main__":
    print(as_markdown(), end="")
