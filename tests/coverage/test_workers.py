"""Campaigns on Dask: real schedulers and workers on loopback, and visits that cost nothing."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

import hilseq
from hilseq.cli.main import app
from hilseq.coverage import campaign
from hilseq.coverage.campaign import Workers, _visit
from hilseq.coverage.cases import Case, RowFile, campaign_of
from hilseq.coverage.parcel import Parcel, installed
from hilseq.errors import StandFault, UsageError

CASES = [Case(number, seed=number % 5 + 1) for number in range(12)]


@dataclass(frozen=True)
class Tiny:
    """Visits that tell by their seed what they found, and what befalls some of them."""

    marker: Path
    befalls: str = ""

    def visit(self, case: Any, _processor: int | None) -> dict[str, Any]:
        """Make one."""
        if self.befalls == "lost" and case.number == 3 and not self.marker.exists():
            self.marker.write_text("", encoding="utf-8")
            os.kill(os.getpid(), signal.SIGKILL)
        if self.befalls == "stopped" and case.seed != 1:
            raise StandFault(f"seed {case.seed} did not finish")
        return {"number": case.number, "good": True, "disposition": "repair" if case.seed % 2 else "ship"}


@pytest.fixture(scope="module")
def two() -> Iterator[Workers]:
    """A cluster of this computer's own."""
    with Workers(2) as workers:
        yield workers


@pytest.fixture
def make(tmp_path: Path) -> Any:
    """Return how a campaign is made by some workers: its new rows."""

    def made(workers: Workers, befalls: str = "", name: str = "rows") -> list[dict[str, Any]]:
        rows = RowFile(tmp_path / f"{name}.jsonl", campaign_of({}, Parcel()))
        return list(workers.make(Tiny(tmp_path / "marker", befalls), CASES, rows))

    return made


def test_the_same_comes_of_one_worker_and_of_two(make: Any, two: Workers, scheduler: str) -> None:
    """Here and on a scheduler that exists: every case once, whoever made it."""
    mine = sorted(make(two, name="two"), key=_number)
    with Workers(1, scheduler) as there:
        assert mine == sorted(make(there, name="one"), key=_number)
    assert [row["number"] for row in mine] == [case.number for case in CASES]


def _number(row: dict[str, Any]) -> int:
    return int(row["number"])


def test_a_worker_killed_in_the_middle_costs_no_row(make: Any, two: Workers, tmp_path: Path) -> None:
    """Its visit is made again by another, and every row is there once."""
    rows = make(two, "lost")
    assert (tmp_path / "marker").exists(), "the worker was killed"
    assert sorted(row["number"] for row in rows) == [case.number for case in CASES]


def test_a_campaign_goes_on_where_it_was(make: Any, two: Workers, tmp_path: Path) -> None:
    """Rows are kept as they come: after an end in the middle those that are missing are made, and no other."""
    whole = make(two)
    file = tmp_path / "rows.jsonl"
    lines = file.read_text(encoding="utf-8").splitlines(keepends=True)
    file.write_text("".join(lines[:6]), encoding="utf-8")
    again = make(two)
    assert {row["number"] for row in again} == {row["number"] for row in whole[5:]}
    assert sorted(json.loads(line)["number"] for line in file.read_text("utf-8").splitlines()[1:]) == list(
        range(12)
    )


def test_visits_that_do_not_come_to_their_end_hold_no_other(
    make: Any, scheduler: str, tmp_path: Path
) -> None:
    """They are named when the others are made, or when there are too many of them, and have no row."""
    with (
        Workers(1, scheduler) as there,
        pytest.raises(StandFault, match=r"seed \d did not finish") as reported,
    ):
        make(there, "stopped")
    assert str(reported.value).count("did not finish") == 5
    rows = (tmp_path / "rows.jsonl").read_text(encoding="utf-8").splitlines()[1:]
    assert {json.loads(row)["number"] % 5 for row in rows} <= {0}


def test_a_worker_with_another_hilseq_is_refused(make: Any, scheduler: str, tmp_path: Path) -> None:
    """By its version and by its code, with where it is and what to do; one that has come since, too."""
    shutil.copytree(Path(hilseq.__file__).parent, tmp_path / "hilseq")
    init = tmp_path / "hilseq" / "__init__.py"
    init.write_text(init.read_text("utf-8").replace(f'"{hilseq.__version__}"', '"0.0.7"'), encoding="utf-8")
    from distributed import Client

    stranger = subprocess.Popen(
        [sys.executable, "-m", "distributed.cli.dask_worker", scheduler, "--name", "late", "--no-nanny"],
        cwd=tmp_path,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        with Client(scheduler) as client:
            client.wait_for_workers(2, timeout=120)
            with Workers(1, scheduler) as there, pytest.raises(UsageError) as reported:
                make(there)
            late = client.submit(
                _visit, Tiny(tmp_path), CASES[0], hilseq=installed(), processors=[], workers=["late"]
            )
            with pytest.raises(UsageError, match=r"which has come since, has 0\.0\.7"):
                late.result()
    finally:
        stranger.kill()
        stranger.wait()
    (line,) = [line for line in str(reported.value).splitlines() if line.startswith("tcp://")]
    assert " has 0.0.7 (code " in line
    assert installed() in str(reported.value)
    assert "install the same there" in str(reported.value)


@pytest.mark.parametrize("address", ["nonsense", "tcp://127.0.0.1:1"])
def test_where_no_scheduler_is(make: Any, monkeypatch: pytest.MonkeyPatch, address: str) -> None:
    """A wrong address is reported, with what starts a scheduler."""
    monkeypatch.setattr(campaign, "_PATIENCE", 1)
    with Workers(1, address) as nowhere, pytest.raises(UsageError, match="`dask scheduler` starts one"):
        make(nowhere)


def test_without_the_extra_its_name_is_reported(monkeypatch: pytest.MonkeyPatch) -> None:
    """Dask is no part of the least installation; that it is missing is said before anything is drawn."""
    monkeypatch.setattr("hilseq.cli.coverage.find_spec", {"distributed": None}.__getitem__)
    done = CliRunner().invoke(app, ["coverage", "--random", "1"])
    assert isinstance(done.exception, UsageError)
    assert "this needs distributed: python -m pip install 'hilseq[cluster]'" in str(done.exception)


def test_what_is_sent_is_what_lies_there(tmp_path: Path) -> None:
    """A folder as a whole, a file with what belongs to it, one root once; nothing hidden, nothing compiled."""
    folder = tmp_path / "mine"
    (folder / "__pycache__").mkdir(parents=True)
    for name in (
        "test_a.py",
        "data.csv",
        "conftest.py",
        ".hidden",
        "__pycache__/test_a.pyc",
        "unit.yaml",
        "unit.plan.json",
    ):
        (folder / name).write_text(name, encoding="utf-8")
    parcel = Parcel()
    assert (parcel.add(folder / "unit.yaml"), parcel.add(folder / "test_a.py")) == (
        "0/mine/unit.yaml",
        "0/mine/test_a.py",
    )
    parcel.unpack(tmp_path / "few")
    assert _names(tmp_path / "few/0/mine") == ["conftest.py", "test_a.py", "unit.plan.json", "unit.yaml"]
    few = parcel.digest
    assert parcel.add(folder) == "0/mine"
    parcel.unpack(tmp_path / "all")
    assert _names(tmp_path / "all/0/mine") == [
        "conftest.py",
        "data.csv",
        "test_a.py",
        "unit.plan.json",
        "unit.yaml",
    ]
    assert parcel.digest != few
    with pytest.raises(UsageError, match=r"nowhere\.yaml cannot be read"):
        parcel.add(tmp_path / "nowhere.yaml")


def _names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())
