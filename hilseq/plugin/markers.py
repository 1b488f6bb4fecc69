"""The markers of sequences, and what they say about a check."""

from __future__ import annotations

import ast
import inspect
import math
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from hilseq.description.findings import SLIP, nearest_word
from hilseq.errors import DescriptionError, Problem
from hilseq.quantities import QuantityError, parse

if TYPE_CHECKING:
    from hilseq.description.profile import Profile
    from hilseq.description.supplies import Supply

MARKERS = (
    "gate: a check whose failure makes the later checks of that unit pointless or dangerous",
    "stage(name): the stage of the job that the checks of a file belong to, such as 'outputs'",
    "needs(section): the section of the profile ('faults') or stand file ('stand.io') a check needs; 'a|b': either",
    "timeout(seconds): limit of one test, where pytest-timeout is installed; 0 is none, as a soak needs",
    "duration(time): how long a check takes on hardware, such as '500 ms', or estimate=function of profile and supply",
    "parameter(name, kind, default): a value of the profile that the check needs, such as ('hold-time', 'time')",
    "place(name): where a failure of this check is, in the words of the profile, such as 'supply'",
)


def refuse_misspelt(item: pytest.Item) -> None:
    """Refuse a marker that nobody registered and that is written almost as one of ours. Raises DescriptionError."""
    known = {_name(line) for line in item.config.getini("markers")}
    for marker in item.iter_markers():
        near = "" if marker.name in known else nearest_word(marker.name, map(_name, MARKERS), SLIP)
        if near:
            raise slip(item, marker.name, f"there is no marker {marker.name!r}", nearest=near)


def slip(
    item: pytest.Item, marker: str, wrong: str, expected: str = "", nearest: str = ""
) -> DescriptionError:
    """Return what is wrong with a marker of a check, with the file and line where it stands."""
    line = line_of_marker(item.path, marker, getattr(item, "originalname", ""))
    return DescriptionError([Problem(shown_path(item.path), line, 1, wrong, expected, nearest)])


def _name(line: str) -> str:
    return line.partition(":")[0].partition("(")[0].strip()


def line_of_marker(file: Path, name: str, test: str = "") -> int:
    """Return the line where a test is given a marker, or else the first that uses it; 1 in a file that is no Python."""
    with suppress(OSError, SyntaxError, ValueError):
        nodes = list(ast.walk(ast.parse(file.read_bytes())))
        own = [node for node in nodes if isinstance(node, ast.FunctionDef) and node.name == test]
        decorated = [node for function in own for each in function.decorator_list for node in ast.walk(each)]
        for node in (*decorated, *nodes):
            if isinstance(node, ast.Attribute) and node.attr == name:
                return node.lineno
    return 1


def stage_of(item: pytest.Item) -> str:
    """Return the stage: the marker's, or the file's own name in words."""
    marker = item.get_closest_marker("stage")
    if marker and marker.args:
        return str(marker.args[0])
    return sequence_of(item)


def sequence_of(item: pytest.Item) -> str:
    """Return the sequence's name: the file's name without `test_` and its ordering number."""
    words = item.path.stem.removeprefix("test_").split("_")
    if len(words) > 1 and words[0].isdigit():
        words = words[1:]
    return " ".join(words)


def number_of(item: pytest.Item) -> float:
    """Return the number in the file's name, its place in the visit; a file without one comes after all that have."""
    words = item.path.stem.removeprefix("test_").split("_")
    return float(words[0]) if words[0].isdecimal() else math.inf


def where(item: pytest.Item) -> str:
    """Return file and name of a check as a person finds them from the present folder."""
    return f"{shown_path(item.path)}::{item.name}"


def shown_path(path: Path) -> Path:
    """Return a path as a person types it in the present folder."""
    with suppress(ValueError):
        return path.relative_to(Path.cwd())
    return path


def is_gate(item: pytest.Item) -> bool:
    """Return whether the check is a gate."""
    return item.get_closest_marker("gate") is not None


def marked_place(item: pytest.Item) -> str:
    """Return the place that the marker names, or an empty text."""
    marker = item.get_closest_marker("place")
    return str(marker.args[0]) if marker and marker.args else ""


def duration_of(item: pytest.Item, profile: Profile, supply: Supply) -> float | None:
    """Return about how long the check takes on hardware, s; None where nothing is declared.

    Raises DescriptionError when the marker holds no time.
    """
    found = declared_duration(item)
    return float(found(profile, supply)) if callable(found) else found


def declared_duration(item: pytest.Item) -> Callable[[Profile, Supply], float] | float | None:
    """Return what a check declares of its duration: s, what estimates them, or nothing. Raises DescriptionError."""
    marker = item.get_closest_marker("duration")
    if marker is None:
        return None
    estimate: Callable[[Profile, Supply], float] | None = marker.kwargs.get("estimate")
    if callable(estimate) and not marker.args:
        return estimate
    if [type(argument) for argument in marker.args] == [str] and not marker.kwargs:
        with suppress(QuantityError):
            return parse(marker.args[0], "time")
    shown = ", ".join(map(repr, (*marker.args, *marker.kwargs.values())))
    expected = "a time such as '500 ms', or estimate=durations.start"
    raise slip(item, "duration", f"marker duration({shown})", expected)


def title_of(item: pytest.Item) -> str:
    """Return the title of the check: the first paragraph of its docstring, or its name."""
    words = _paragraph(item, 0).removesuffix(".")
    return words or getattr(item, "originalname", item.name).removeprefix("test_").replace("_", " ")


def sentence_of(item: pytest.Item) -> str:
    """Return what the check shows, in a sentence: the second paragraph of its docstring, or an empty text."""
    return _paragraph(item, 1)


def _paragraph(item: pytest.Item, number: int) -> str:
    words = getattr(getattr(item, "function", None), "__doc__", None) or ""
    paragraphs = [*inspect.cleandoc(words).split("\n\n"), ""]
    return " ".join(paragraphs[min(number, len(paragraphs) - 1)].split())
