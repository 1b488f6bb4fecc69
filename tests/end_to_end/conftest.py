"""Whole visits, as a person at the command line makes them."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests import warm
from tests.journals import contradicts_nothing

ROOT = Path(__file__).resolve().parents[2]
STANDS = ROOT / "stands"


@dataclass(frozen=True, slots=True)
class Visit:
    """What one visit left behind."""

    code: int
    out: str
    err: str
    folder: Path

    @property
    def summary(self) -> dict[str, Any]:
        """The content of summary.json."""
        content: dict[str, Any] = json.loads((self.folder / "summary.json").read_text(encoding="utf-8"))
        return content

    @property
    def unit(self) -> dict[str, Any]:
        """The only unit of the summary."""
        (unit,) = self.summary["units"]
        found: dict[str, Any] = unit
        return found

    @property
    def disposition(self) -> str:
        """Disposition of the only unit."""
        return str(self.unit["disposition"])

    @property
    def places(self) -> set[str]:
        """Places of its findings."""
        return {finding["place"] for finding in self.unit["findings"]}

    def verdicts(self) -> dict[str, str]:
        """Verdict of each check by its id."""
        return {check["id"]: check["verdict"] for check in self.unit["checks"]}


MakeVisit = Callable[..., Visit]


@pytest.fixture
def visit(tmp_path: Path) -> MakeVisit:
    """Make one visit: `visit("--defect", "no-start")`; the demo's stand and unit unless stated otherwise."""

    def make(
        *options: str,
        stand: Path = STANDS / "sim-bench.yaml",
        unit: Path = STANDS / "units" / "rh16.yaml",
        serial: str = "RH-000101",
        simulate: bool = True,
        name: str = "run",
        within: float = warm.SECONDS,
    ) -> Visit:
        folder = tmp_path / name
        line = ["run", "--stand", str(stand), "--unit", str(unit), "--serial", serial, "--out", str(folder)]
        done = warm.hilseq(
            *line, *(["--simulate"] if simulate else []), *options, cwd=tmp_path, timeout=within
        )
        contradicts_nothing(folder)
        return Visit(done.returncode, done.stdout, done.stderr, folder)

    return make
