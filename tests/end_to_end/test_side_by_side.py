"""Several units at once, each in a visit of its own: neighbours change nothing, and everybody hears Ctrl-C."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from hilseq.cli.side_by_side import worst_code
from tests import warm
from tests.end_to_end.conftest import ROOT, STANDS

RACK, RH16 = STANDS / "rack-bench.yaml", STANDS / "units" / "rh16.yaml"
SHORT = [str(ROOT / "sequences" / name) for name in ("test_05_set_up.py", "test_10_power_on.py")]
LINE = ["--stand", str(RACK), "--unit", str(RH16), "--simulate", "--seed", "7"]


@dataclass(frozen=True, slots=True)
class Rack:
    """What a run of several slots left."""

    code: int
    out: str
    err: str
    folder: Path

    def unit(self, slot: str) -> dict[str, Any]:
        """Return the unit of a slot, from the summary of its own run."""
        return unit_of(self.folder / slot)


def unit_of(folder: Path) -> dict[str, Any]:
    """Return the only unit of a run."""
    (unit,) = json.loads((folder / "summary.json").read_text(encoding="utf-8"))["units"]
    found: dict[str, Any] = unit
    return found


def judged(unit: dict[str, Any]) -> list[tuple[Any, ...]]:
    """Return every check of a unit with its verdict and its readings."""
    return [(check["id"], check["verdict"], check["readings"]) for check in unit["checks"]]


def process_of(slot: str, folder: Path) -> int:
    """Return the process of a slot's visit, once its journal has begun. Raises TimeoutError."""
    until = time.monotonic() + 120.0
    while time.monotonic() < until:
        for process in Path("/proc").glob("[0-9]*"):
            try:
                words = (process / "cmdline").read_bytes().split(b"\0")
            except OSError:
                continue
            mine = f"--out={folder / slot}".encode() in words
            if mine and (folder / slot / "journal.jsonl").exists():
                return int(process.name)
        time.sleep(0.05)
    raise TimeoutError(f"no visit of slot {slot} has begun")


@pytest.fixture(scope="module", name="rack")
def _rack(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rack]:
    """Four units at once: A is sound, B shorts its supply, the link of C falls silent, the visit of D is killed."""
    place = tmp_path_factory.mktemp("rack")
    folder = place / "runs"
    line = [sys.executable, "-P", "-m", "hilseq", "run", *SHORT, *LINE, "--out", str(folder)]
    line += ["--serial", "D=RH-000204,B=RH-000202,C=RH-000203,A=RH-000201"]
    line += ["--defect", "input-shorted@B.supply", "--defect", "link-silent@C.link,after=3s"]
    process = subprocess.Popen(line, cwd=place, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        os.kill(process_of("D", folder), signal.SIGKILL)
        out, err = process.communicate(timeout=280)
        yield Rack(process.returncode, out, err, folder)
    finally:
        process.kill()


@pytest.fixture(scope="module", name="alone")
def _alone(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """The unit of slot A with nobody beside it."""
    place = tmp_path_factory.mktemp("alone")
    done = warm.hilseq(
        *("run", *SHORT, *LINE, "--slot", "A", "--serial", "RH-000201", "--out", "run"), cwd=place
    )
    assert done.returncode == 3, done.stdout + done.stderr  # the other stages were not selected
    return unit_of(place / "run")


@pytest.mark.timeout(300)
def test_a_unit_is_judged_as_if_it_were_alone(rack: Rack, alone: dict[str, Any]) -> None:
    """With a neighbour that fails and shorts its supply, one whose link hangs and one that is killed: every reading."""
    beside = rack.unit("A")
    assert sum(len(check["readings"]) for check in alone["checks"]) > 5
    assert judged(beside) == judged(alone)
    assert beside["disposition"] == alone["disposition"]


def test_each_run_is_complete_in_itself(rack: Rack) -> None:
    """One folder a slot, each with journal, summary and report of its own unit; the worst code is returned."""
    assert rack.code == (4 if rack.unit("C")["disposition"] == "stand fault" else 3), rack.out + rack.err
    assert rack.unit("B")["disposition"] == "incomplete"  # the short may as well lie across the feeder
    assert [unit["serial"] for unit in map(rack.unit, "AB")] == ["RH-000201", "RH-000202"]
    assert (rack.folder / "A" / "report-RH-000201.html").is_file()


def test_what_is_shown_names_the_slots(rack: Rack) -> None:
    """Plain lines where nobody draws: the stages, failures and verdicts of each slot, none wider than 80 columns."""
    lines = rack.out.splitlines()
    assert all(len(line) <= 80 or "Report:" in line or str(rack.folder) in line for line in lines), rack.out
    assert any(line.startswith("  A power-on") for line in lines)
    assert any(line.startswith("  B power-on") for line in lines)
    assert "INCOMPLETE  RH16 RH-000202" in lines
    assert any(line.startswith("  B    RH-000202") and line.endswith("INCOMPLETE") for line in lines), (
        rack.out
    )
    verdicts = [line for line in lines if line.startswith("slot ")]
    assert verdicts == sorted(verdicts)
    assert len(verdicts) >= 3  # the killed one may not have begun
    assert "its process was ended by signal 9" in rack.out + rack.err  # before or after its first line


@pytest.mark.timeout(180)
def test_an_interrupt_reaches_every_visit(tmp_path: Path) -> None:
    """One SIGTERM to the command ends all visits, each made safe and reported as interrupted."""
    folder = tmp_path / "runs"
    line = [sys.executable, "-P", "-m", "hilseq", "run", *LINE, "--out", str(folder), "--serial", "A=1,B=2"]
    process = subprocess.Popen(line, cwd=tmp_path, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        for slot in "AB":
            process_of(slot, folder)
            while not (
                folder / slot / "journal.jsonl"
            ).read_bytes():  # one that has not begun has nothing to say
                time.sleep(0.02)
        process.send_signal(signal.SIGTERM)
        assert process.wait(120) == 3
    finally:
        process.kill()
    for slot in "AB":
        last = (folder / slot / "journal.jsonl").read_text(encoding="ascii").splitlines()[-1]
        assert (json.loads(last)["kind"], json.loads(last)["interrupted"]) == ("run ended", True)


@pytest.mark.parametrize(
    ("serial", "words"),
    [
        ("A=1,2", "--serial '2': the stand has the slots A, B, C, D, E, F, G, H; write SLOT=…, such as A=2"),
        ("A=1,A=2", "--serial: slot A is given twice, '1' and '2'"),
        ("A=1,X=2", "there is no slot 'X'; expected one of A, B, C, D, E, F, G, H"),
        ("A=1,B=", "--serial 'B=': nothing is given; expected B=VALUE"),
    ],
)
def test_a_slip_in_the_argument_is_reported_before_anything_starts(
    serial: str, words: str, tmp_path: Path
) -> None:
    """Exit 2, one line, and no folder."""
    done = warm.hilseq("run", *LINE, "--serial", serial, cwd=tmp_path)
    assert done.returncode == 2
    assert words in done.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("codes", "worst"),
    [([0, 0], 0), ([0, 1], 1), ([1, 4, 3], 4), ([0, 3], 3), ([0, 75], 75), ([3, 2], 3), ([1, 70], 70)],
)
def test_the_worst_code_stands_for_all(codes: list[int], worst: int) -> None:
    """Stand fault, repair, incomplete, then what did not begin; an error that nobody foresaw outweighs all."""
    assert worst_code(codes) == worst


def test_a_slot_that_the_stand_lacks(tmp_path: Path) -> None:
    """The option that names one slot says which there are."""
    done = warm.hilseq("run", *LINE, "--slot", "a", "--serial", "1", cwd=tmp_path)
    assert done.returncode == 2
    assert (
        "--slot: there is no slot 'a'; expected one of A, B, C, D, E, F, G, H; did you mean 'A'?"
        in done.stderr
    )
