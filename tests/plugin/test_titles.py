"""Titles of checks: a noun phrase of one short line, and the sentence below it."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

SEQUENCES = sorted((Path(__file__).parents[2] / "sequences").glob("test_*.py"))
#: Columns of a title; with its place and its verdict it stands on one line of a terminal.
LONGEST = 46


def checks(path: Path) -> list[tuple[str, list[str]]]:
    """Return name and paragraphs of the docstring of each check of a file."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    tests = [n for n in tree.body if isinstance(n, ast.FunctionDef) and n.name.startswith("test_")]
    return [(test.name, (ast.get_docstring(test) or "").split("\n\n")) for test in tests]


@pytest.mark.parametrize("path", SEQUENCES, ids=lambda path: path.stem)
def test_every_shipped_check_has_a_title_and_a_sentence(path: Path) -> None:
    """The title is short and no sentence; the sentence has an end; no file has one title twice."""
    found = checks(path)
    titles = [words[0].removesuffix(".") for _, words in found]
    assert len(set(titles)) == len(titles)
    for (name, words), title in zip(found, titles, strict=True):
        assert len(words) >= 2, f"{name} has no sentence"
        assert 0 < len(title) <= LONGEST, f"{name}: {title!r}"
        assert "." not in title, f"{name}: {title!r} is more than a title"
        assert not title.startswith(("The ", "A ", "Every ", "No ")), f"{name}: {title!r} is a sentence"
        assert words[1].endswith((".", ")")), f"{name}: {words[1]!r} is no sentence"
