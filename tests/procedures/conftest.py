"""Units on simulated twins, one for each test, ended with it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.procedures.twin_unit import TwinUnit, twin_unit

MakeUnit = Callable[..., TwinUnit]


@pytest.fixture
def make(tmp_path: Path) -> Iterator[MakeUnit]:
    """Start a twin: `make("no-start", changes={"cycling.off": "1 s"})`."""
    made: list[TwinUnit] = []

    def build(*defects: str, **options: Any) -> TwinUnit:
        made.append(twin_unit(tmp_path, *defects, **options))
        return made[-1]

    yield build
    for found in made:
        found.close()


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TwinUnit]:
    """One good unit for all tests of a module that leave it as it was."""
    made = twin_unit(tmp_path_factory.mktemp("shared"))
    yield made
    made.close()


@pytest.fixture
def good(shared: TwinUnit) -> TwinUnit:
    """A good unit, ready and at rest."""
    shared.unit.make_ready()
    shared.unit.return_to_idle()
    shared.unit.starts.clear()
    shared.unit.restart()
    return shared
