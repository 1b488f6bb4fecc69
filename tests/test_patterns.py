"""Every pattern of the program against hostile text: the work grows with its length.

Found by walking all modules, so that a new pattern is tested without being named here. Ratios of processor time of
this thread: of linear work 4, of quadratic work 16.
"""

from __future__ import annotations

import importlib
import pkgutil
import re
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from re import _parser  # type: ignore[attr-defined]
from typing import Any

import hilseq_sim
import pytest

import hilseq

SHORT, LONG = 1200, 4800
MOST = 9.0
#: Shorter work than this is noise, s.
NOISE = 1e-4
PIECES = (
    "9",
    "a",
    "A",
    " ",
    "-",
    "\n",
    ":",
    "..",
    "a1-",
    "1 ",
    "9.",
    "9,",
    "_",
    "a ",
    "a:",
    "/",
    ",",
    '"',
    "'",
)


def _modules() -> Iterator[Any]:
    for package in (hilseq, hilseq_sim):
        for found in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
            if "migrations" not in found.name and not found.name.endswith("__main__"):
                yield importlib.import_module(found.name)


def _patterns() -> dict[str, re.Pattern[Any]]:
    return {
        f"{module.__name__}.{name}": value
        for module in _modules()
        for name, value in vars(module).items()
        if isinstance(value, re.Pattern)
    }


def _literals(pattern: re.Pattern[Any]) -> Iterator[str]:
    """Yield the words that a pattern is made of, whole and each with what may follow it."""
    words, word = [], ""
    for operation, value in _walk(_parser.parse(pattern.pattern, pattern.flags)):
        if str(operation) == "LITERAL":
            word += chr(value)
        elif word:
            words.append(word)
            word = ""
    for one in {*words, word} - {""}:
        yield from (one, f"{one} ", f"{one}>")


def _walk(parsed: Any) -> Iterator[tuple[Any, Any]]:
    for operation, value in parsed:
        yield operation, value
        for part in value if isinstance(value, tuple) else (value,):
            for each in part if isinstance(part, list) else (part,):
                if isinstance(each, _parser.SubPattern):
                    yield from _walk(each)


def _uses(name: str) -> set[str]:
    """Return how the module of a pattern, or whoever imports it from there, asks it: from the start, or anywhere."""
    module, _, pattern = name.rpartition(".")
    text = Path(str(sys.modules[module].__file__)).read_text("utf-8")
    found = set(re.findall(rf"\b{pattern}\.(\w+)\(", text))
    return {"fullmatch" if one in ("match", "fullmatch") else "search" for one in found} or {"search"}


def _work(pattern: re.Pattern[Any], use: str, text: str) -> float:
    given: Any = text.encode("utf-8", "surrogatepass") if isinstance(pattern.pattern, bytes) else text
    taken = []
    for _ in range(5):  # the quickest: a busy machine is slow now and then, a pattern out of step each time
        begun = time.thread_time()
        getattr(pattern, use)(given)
        taken.append(time.thread_time() - begun)
    return min(taken)


PATTERNS = _patterns()


def test_the_walk_finds_the_patterns() -> None:
    assert len(PATTERNS) > 60
    assert "hilseq.instruments.scpi._ENTRY" in PATTERNS


@pytest.mark.parametrize("name", sorted(PATTERNS))
def test_a_pattern_reads_hostile_text_in_step_with_its_length(name: str) -> None:
    pattern = PATTERNS[name]
    for use in _uses(name):
        for piece in (*PIECES, *_literals(pattern)):
            for end in ("", "!"):
                short, long = (piece * (size // len(piece)) + end for size in (SHORT, LONG))
                quick = max(_work(pattern, use, short), NOISE)
                assert _work(pattern, use, long) < MOST * quick, (use, piece, end)
