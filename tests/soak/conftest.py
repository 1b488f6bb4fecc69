"""Whole soaks on the simulated stand, as a person at the command line makes them; like ones are made once."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from hilseq.journal.samples import Samples, read_samples
from hilseq.verdicts import ExitCode
from tests import warm
from tests.hasty import changed, hasty_stand
from tests.journals import contradicts_nothing

ROOT = Path(__file__).resolve().parents[2]
UNIT = ROOT / "stands" / "units" / "rh16.yaml"
SOAK = ROOT / "sequences" / "test_95_soak.py"


@dataclass(frozen=True, slots=True)
class Soaked:
    """What one soak left behind."""

    code: int
    out: str
    err: str
    folder: Path

    @property
    def entries(self) -> list[dict[str, Any]]:
        """The journal."""
        lines = (self.folder / "journal.jsonl").read_text(encoding="ascii").splitlines()
        return [json.loads(line) for line in lines]

    def of_kind(self, *kinds: str) -> list[dict[str, Any]]:
        """Entries of some kinds."""
        return [entry for entry in self.entries if entry["kind"] in kinds]

    @property
    def samples(self) -> Samples:
        """The samples."""
        return read_samples(self.folder / "samples-A.bin")

    @property
    def verdict(self) -> tuple[str, str]:
        """Verdict of the soak check, and why."""
        ends = [e for e in self.of_kind("check ended") if e["check"].startswith("test_95_soak")]
        return ends[-1]["verdict"], ends[-1]["why"]

    @property
    def page(self) -> str:
        """The page of the unit."""
        (path,) = self.folder.glob("report-*.html")
        return path.read_text(encoding="utf-8")


def command(folder: Path, *options: str, unit: Path = UNIT) -> list[str]:
    """Return the arguments of a simulated soak, on a stand whose deadlines do not keep a test waiting."""
    stand = hasty_stand(folder.parent)
    line = ["run", str(SOAK), "--stand", str(stand), "--unit", str(unit)]
    return [*line, "--serial", "RH-000101", "--simulate", "--soak", "--out", str(folder), *options]


def finished(line: list[str], folder: Path) -> Soaked:
    """Run a command to its end."""
    done = warm.hilseq(*line, cwd=folder.parent)
    if done.returncode != ExitCode.USAGE:
        contradicts_nothing(folder)
    return Soaked(done.returncode, done.stdout, done.stderr, folder)


@pytest.fixture(scope="session")
def soaked(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Soaked]:
    """Soak once for each set of options: `soaked("20min", "--defect", "indicator-dark")`."""

    @cache
    def run(
        duration: str, *options: str, again: int = 0, profile: tuple[tuple[str, str], ...] = ()
    ) -> Soaked:
        home = tmp_path_factory.mktemp("soak")
        unit = UNIT if not profile else home / "unit.yaml"
        if profile:
            unit.write_text(changed(UNIT, profile), encoding="utf-8")
        del again
        folder = home / "run"
        return finished(command(folder, "--soak-duration", duration, *options, unit=unit), folder)

    return run


@pytest.fixture
def resume() -> Callable[..., Soaked]:
    """Continue an interrupted soak: `resume(folder, "--acknowledge")`."""

    def again(folder: Path, *options: str) -> Soaked:
        return finished(["resume", str(folder), *options], folder)

    return again


@pytest.fixture
def begin(tmp_path: Path) -> Iterator[Callable[..., tuple[warm.Running, Path]]]:
    """Begin a simulated soak and return at once: its process and its folder. It ends with the test."""
    begun: list[warm.Running] = []

    def start(*options: str) -> tuple[warm.Running, Path]:
        folder = tmp_path / f"begun {len(begun)}"
        process = warm.Running(*command(folder, *options), log=tmp_path / f"begun {len(begun)}.log")
        begun.append(process)
        return process, folder

    yield start
    for process in begun:
        process.kill()
        process.wait(10)
