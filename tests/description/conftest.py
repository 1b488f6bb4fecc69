"""The sound files that the tests break in one place each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from hilseq.description.inspection import inspect
from hilseq.errors import Problem

STANDS = Path(__file__).parents[2] / "stands"


@dataclass(frozen=True)
class Broken:
    """A pair of files of which one is broken, and what the inspection says about it."""

    path: Path
    text: str
    problems: tuple[Problem, ...]

    def only(self) -> Problem:
        """Return the one problem there must be."""
        assert len(self.problems) == 1, "\n".join(map(str, self.problems))
        return self.problems[0]

    def problem(self, snippet: str, wrong: str, expected: str = "", nearest: str = "") -> Problem:
        """Return the problem that should be found at a snippet."""
        line, column = self.place_of(snippet)
        return Problem(self.path, line, column, wrong, expected, nearest)

    def place_of(self, snippet: str) -> tuple[int, int]:
        """Return line and column of a snippet that stands once in the broken file."""
        assert self.text.count(snippet) == 1, f"{snippet!r} stands {self.text.count(snippet)} times"
        before = self.text[: self.text.index(snippet)]
        return before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1


Break = Callable[[dict[str, str]], Broken]


def _broken(folder: Path, name: str, other: str, changes: dict[str, str]) -> Broken:
    text = (STANDS / name).read_text(encoding="utf-8")
    for old, new in changes.items():
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {name}"
        text = text.replace(old, new)
    path = folder / Path(name).name
    path.write_text(text, encoding="utf-8")
    return Broken(path, text, inspect([path, STANDS / other]).problems)


@pytest.fixture(name="break_stand")
def _break_stand(tmp_path: Path) -> Break:
    """Change the stand of the demo in places, and inspect it with its unit."""

    def change(changes: dict[str, str]) -> Broken:
        return _broken(tmp_path, "sim-bench.yaml", "units/rh16.yaml", changes)

    return change


@pytest.fixture(name="break_profile")
def _break_profile(tmp_path: Path) -> Break:
    """Change the profile of the demo in places, and inspect it with its stand."""

    def change(changes: dict[str, str]) -> Broken:
        return _broken(tmp_path, "units/rh16.yaml", "sim-bench.yaml", changes)

    return change


@pytest.fixture(name="break_other_profile")
def _break_other_profile(tmp_path: Path) -> Break:
    """Change the profile without a switch in places, and inspect it with its stand."""

    def change(changes: dict[str, str]) -> Broken:
        return _broken(tmp_path, "units/dx08.yaml", "dx08-bench.yaml", changes)

    return change
