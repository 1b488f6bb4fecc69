"""One separately started simulator per clock, for all tests of a file."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest


def _load() -> ModuleType:
    name = "hilseq_guard_rig"
    if name not in sys.modules:
        specification = importlib.util.spec_from_file_location(name, Path(__file__).with_name("rig.py"))
        assert specification is not None
        assert specification.loader is not None
        module = importlib.util.module_from_spec(specification)
        sys.modules[name] = module
        specification.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture(scope="session")
def rig() -> ModuleType:
    """The helpers of rig.py."""
    return _load()


@pytest.fixture(scope="module")
def wall(rig: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A simulator in real time."""
    simulator = rig.Simulator(tmp_path_factory.mktemp("wall"))
    yield simulator
    simulator.close()


@pytest.fixture(scope="module")
def stepped(rig: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A simulator in stepped time."""
    simulator = rig.Simulator(tmp_path_factory.mktemp("stepped"), clock="stepped")
    yield simulator
    simulator.close()


@pytest.fixture(autouse=True)
def left_at_rest(rig: ModuleType) -> Iterator[None]:
    """Whatever becomes of a test, the next one finds its stand free, released and off."""
    yield
    for simulator in rig.simulators:
        simulator.leave_at_rest()


@pytest.fixture
def start(rig: ModuleType, tmp_path: Path) -> Iterator[Callable[..., Any]]:
    """Start a run: `start(simulator, "--soak", sequence=…)`; whatever is left of it is ended afterwards."""
    runs: list[Any] = []

    def begin(simulator: Any, *options: str, **more: Any) -> Any:
        runs.append(rig.Run(simulator, tmp_path / f"run{len(runs)}", *options, **more))
        return runs[-1]

    yield begin
    for run in runs:
        run.close()
