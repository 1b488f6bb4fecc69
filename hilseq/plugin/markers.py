"""The markers of sequences, and what they say about a check."""

from __future__ import annotations

import ast
import inspect
import math
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from hilseq.description.findings import SLIP, nearest_word
from hilseq.quantities import QuantityError, parse

if TYPE_CHECKING:
    from hilseq.description.profile import Profile
    from hilseq.description.stand import Supply

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
    """Refuse a marker that nobody registered and that is written almost as one of ours. Raises pytest.UsageError."""
    known = {_name(line) for line in item.config.getini("markers")}
    for marker in item.iter_markers():
        near = "" if marker.name in known else nearest_word(marker.name, map(_name, MARKERS), SLIP)
        if near:
            line = line_of_marker(item.path, marker.name)
            raise pytest.UsageError(
                f"{_shown(item.path)}:{line}: there is no marker {marker.name!r}; did you mean {near!r}?"
            )


def _name(line: str) -> str:
    return line.partition(":")[0].partition("(")[0].strip()


def line_of_marker(file: Path, name: str) -> int:
    """Return the first line that uses a marker; 1 where the file is no text of Python."""
    with suppress(OSError, SyntaxError, ValueError):
        for node in ast.walk(ast.parse(file.read_bytes())):
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
    return f"{_shown(item.path)}::{item.name}"


def _shown(path: Path) -> Path:
    with suppress(ValueError):
        return path.relative_to(Path.cwd())
    return path


def is_gate(item: pytest.Item) -> bool:
    """Tell whether the check is a gate."""
    return item.get_closest_marker("gate") is not None


def marked_place(item: pytest.Item) -> str:
    """Return the place that the marker names, or an empty text."""
    marker = item.get_closest_marker("place")
    return str(marker.args[0]) if marker and marker.args else ""


def duration_of(item: pytest.Item, profile: Profile, supply: Supply) -> float | None:
    """Return about how long the check takes on hardware, s; None where nothing is declared.

    Raises pytest.UsageError when the marker holds no time.
    """
    marker = item.get_closest_marker("duration")
    if marker is None:
        return None
    estimate = marker.kwargs.get("estimate")
    if callable(estimate) and not marker.args:
        return float(estimate(profile, supply))
    if [type(argument) for argument in marker.args] == [str] and not marker.kwargs:
        with suppress(QuantityError):
            return parse(marker.args[0], "time")
    shown = ", ".join(map(repr, (*marker.args, *marker.kwargs.values())))
    words = "expected a time such as '500 ms', or estimate=durations.start"
    raise pytest.UsageError(f"{where(item)}: marker duration({shown}): {words}")


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
