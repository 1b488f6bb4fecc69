"""What is wrong with a sequence, found without power: what it asks for that nobody has, each with file and line."""

from __future__ import annotations

import ast
import inspect
import re
import textwrap
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from _pytest.fixtures import FixtureFunctionDefinition

import hilseq
from hilseq.description.findings import nearest_word
from hilseq.description.profile import Profile
from hilseq.description.stand import Stand
from hilseq.errors import DescriptionError, Problem
from hilseq.plugin.markers import MARKERS, line_of_marker, shown_path
from hilseq.plugin.parametrize import declared

#: Methods that take names of the profile or stand, by the object they belong to: what is named.
_NAMED = {
    ("outputs", "drive"): "output",
    ("outputs", "command"): "output",
    ("inputs", "drive"): "input",
    ("signals", "read"): "signal",
    ("signals", "measure"): "signal",
    ("signals", "write"): "signal",
    ("parameters", "value"): "parameter",
    ("parameters", "limits"): "parameter",
    ("parameters", "text"): "parameter",
    ("parameters", "flag"): "parameter",
}


@dataclass(frozen=True, slots=True)
class _Use:
    """A name that a function asks for, and the line where it does."""

    kind: str
    name: str
    line: int


#: Where a traceback of pytest says that it went through a file, and what it says of a marker that nobody registers.
_WENT_THROUGH = re.compile(r"^(\S+\.py):(\d+): |File \"([^\"]+\.py)\", line (\d+)", re.MULTILINE)
_NO_MARKER = re.compile(r"'([^']+)' not found in `markers` configuration option")
_NO_NAME = re.compile(r"cannot import name '([^']+)' from 'hilseq'")


def why_not_collected(report: pytest.CollectReport) -> str:
    """Return why a file cannot be collected, as `FILE:LINE: what is wrong`, with the nearest right name."""
    text = report.longreprtext
    reported = [line.removeprefix("E").strip() for line in text.splitlines() if line.startswith("E ")]
    words = reported[-1] if reported else (text.strip().splitlines() or ["it cannot be read"])[-1]
    through = [(found[1] or found[3], found[2] or found[4]) for found in _WENT_THROUGH.finditer(text)]
    name = Path(report.nodeid).name
    own = [
        (file, line)
        for file, line in through
        if (Path(file).name == name if name else "site-packages" not in file)
    ]
    place = f"{shown_path(Path(own[-1][0]))}:{own[-1][1]}" if own else report.nodeid or "a sequence"
    near = ""
    if (lacking := _NO_NAME.search(words)) is not None:
        near = nearest_word(lacking[1], hilseq.__all__)
        words = f"hilseq has no name {lacking[1]!r}"
    elif (marker := _NO_MARKER.search(text)) is not None:
        near = nearest_word(marker[1], (line.partition("(")[0].partition(":")[0] for line in MARKERS))
        words = f"there is no marker {marker[1]!r}"
        file = getattr(report, "path", None)
        if not own and file is not None:
            place = f"{shown_path(file)}:{line_of_marker(file, marker[1])}"
    return f"{place}: {words}" + (f"; did you mean {near!r}?" if near else "")


def problems_of_item(item: pytest.Item, profile: Profile, stand: Stand) -> list[Problem]:
    """Return what a check asks for by fixture or by name that neither pytest, profile nor stand has."""
    found = list(_fixtures(item))
    names: Mapping[str, Iterable[str]] = {
        "output": profile.points.outputs,
        "input": profile.points.inputs,
        "signal": stand.signals,
        "parameter": _parameters(item),
    }
    function = getattr(item, "function", None)
    for use in _uses(function) if function else ():
        known = list(names[use.kind])
        if use.name not in known:
            near = nearest_word(use.name, known)
            expected = "" if near else f"one of {', '.join(known[:20])}" if known else f"no {use.kind} here"
            wrong = f"there is no {use.kind} {use.name!r}"
            found.append(Problem(shown_path(item.path), use.line, 1, wrong, expected, near))
    return found


def _fixtures(item: pytest.Item) -> Iterator[Problem]:
    info: Any = getattr(item, "_fixtureinfo", None)
    if info is None:
        return
    given = getattr(getattr(item, "callspec", None), "params", {})
    for name in info.names_closure:
        if name in info.name2fixturedefs or name in given or name == "request":
            continue
        line = item.location[1] or 0
        wrong = f"{item.name.partition('[')[0]} asks for the fixture {name!r}, which does not exist"
        near = nearest_word(name, _own_fixtures(item))
        yield Problem(shown_path(item.path), line + 1, 1, wrong, nearest=near)


def _own_fixtures(item: pytest.Item) -> list[str]:
    plugins = item.config.pluginmanager
    return [
        name
        for module in (plugins.get_plugin("hilseq-fixtures"), plugins.get_plugin("hilseq-soaking"))
        for name, value in vars(module).items()
        if isinstance(value, FixtureFunctionDefinition)
    ]


def _uses(function: Callable[..., object]) -> Iterator[_Use]:
    """Yield the names that are written out in calls of a function; what is computed is not seen."""
    try:
        lines, first = inspect.getsourcelines(function)
        tree = ast.parse(textwrap.dedent("".join(lines)))
    except (OSError, TypeError, SyntaxError):
        return
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute):
            continue
        owner = node.func.value
        whose = owner.attr if isinstance(owner, ast.Attribute) else getattr(owner, "id", "")
        kind = _NAMED.get((whose, node.func.attr))
        if kind is None:
            continue
        arguments = node.args if kind in ("output", "input") else node.args[:1]
        for argument in arguments:
            if isinstance(argument, ast.Constant) and isinstance(argument.value, str):
                yield _Use(kind, argument.value, first + argument.lineno - 1)


def all_problems(
    items: Iterable[pytest.Item],
    slot_of: Callable[[pytest.Item], str],
    profiles: Mapping[str, Profile],
    stand: Stand,
) -> list[Problem]:
    """Return the problems of all checks, each once however many elements it has."""
    found = dict[Problem, None]()
    for item in items:
        found |= dict.fromkeys(problems_of_item(item, profiles[slot_of(item)], stand))
    return sorted(found)


def _parameters(item: pytest.Item) -> Mapping[str, object]:
    """Return the parameters that a check declares, none where its marker is wrong, which is reported by itself."""
    try:
        return declared(item)
    except DescriptionError:
        return {}
