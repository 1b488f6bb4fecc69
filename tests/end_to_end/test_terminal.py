"""What a run looks like: one line per stage, failures in full, the verdict last and large, within 80 columns."""

from __future__ import annotations

import os
import re
import signal
import sys
import time
from pathlib import Path

import pytest

from hilseq.journal.reader import read_journal, run_state
from tests import warm
from tests.end_to_end.conftest import ROOT, STANDS, MakeVisit
from tests.terminal import Terminal

HILSEQ = [sys.executable, "-m", "hilseq"]
RUN = ["run", "--stand", str(STANDS / "sim-bench.yaml"), "--unit", str(STANDS / "units" / "rh16.yaml")]
RUN += ["--serial", "RH-000102", "--simulate"]
FEW = [str(ROOT / "sequences" / name) for name in ("test_10_power_on.py", "test_60_outputs.py")]
#: What the demo's story may take.
MOST_LINES, MOST_COLUMNS = 40, 80


@pytest.mark.timeout(300)
def test_the_demo_tells_its_story_on_one_screen(tmp_path: Path) -> None:
    """Into a file: two verdicts, the failures in full, where and why, and no more than a screen."""
    done = warm.hilseq("demo", "--out", "d", cwd=tmp_path, timeout=280)
    lines = done.stdout.splitlines()
    assert done.returncode == 0, done.stdout + done.stderr
    assert len(lines) <= MOST_LINES, done.stdout
    assert max(map(len, lines)) <= MOST_COLUMNS, done.stdout
    assert "SHIP  RH16 RH-000101" in lines
    assert "REPAIR  RH16 RH-000102" in lines
    assert "q05 and q06: shorted, wired-or" in done.stdout
    assert (tmp_path / "d" / "RH-000102" / "report-RH-000102.html").is_file()
    assert "\x1b" not in done.stdout


@pytest.mark.timeout(300)
def test_the_demo_on_a_terminal(tmp_path: Path) -> None:
    """On a terminal of 80 columns: the same on one screen, with the verdicts in large letters."""
    with Terminal([*HILSEQ, "demo", "--out", "d"], tmp_path, rows=50) as terminal:
        assert terminal.wait(280) == 0, terminal.text
        lines = terminal.lines
    assert len(lines) <= MOST_LINES, "\n".join(lines)
    assert sum("\u2588\u2580\u2580\u2584" in line for line in lines) == 2, "two verdicts in large letters"
    (outputs,) = [line for line in lines if line.startswith("  outputs ")]
    assert outputs.endswith("2 failed: q05, q06")


@pytest.mark.timeout(120)
def test_a_demo_that_is_ended_ends_its_visit(tmp_path: Path) -> None:
    """SIGTERM ends the visit with everything off, and no other begins."""
    demo = warm.Running("demo", "--out", str(tmp_path / "d"), log=tmp_path / "log")
    first = tmp_path / "d" / "RH-000101"
    while not (first / "journal.jsonl").exists():
        assert demo.poll() is None, (tmp_path / "log").read_text()
        time.sleep(0.1)
    os.kill(demo.pid, signal.SIGTERM)
    assert demo.wait(60) == 3
    state = run_state(read_journal(first))
    assert state.end is not None
    assert [path.name for path in (tmp_path / "d").iterdir()] == ["RH-000101"]
    assert "must" not in (tmp_path / "log").read_text()


def test_long_lines_are_broken_between_words_on_a_terminal(tmp_path: Path) -> None:
    """What is read there fits 80 columns; a program that reads it gets one line for each."""
    files = [str(STANDS / "sim-bench.yaml"), str(STANDS / "units" / "rh16.yaml")]
    with Terminal([*HILSEQ, "inspect", *files], tmp_path) as terminal:
        assert terminal.wait() == 0
        lines = terminal.lines
    at = next(number for number, line in enumerate(lines) if line.startswith("profile RH16: 16 outputs"))
    assert lines[at].endswith("2 ports,")
    assert lines[at + 1] == "    3 modes, 10 fault codes, 32 configuration words"
    assert "2 ports, 3 modes," in warm.hilseq("inspect", *files, cwd=tmp_path).stdout


def test_stages_fill_up_on_a_terminal(tmp_path: Path) -> None:
    """While it runs: how far it is, and time gone by; at its end nothing of that is left."""
    with Terminal([*HILSEQ, *RUN, *FEW, "--defect", "outputs-shorted@q05+q06"], tmp_path) as terminal:
        running = terminal.until(" checks, ")
        assert re.search(r"^  \d+ of \d+ checks, \d", running, re.MULTILINE), running
        assert terminal.wait() == 1
        lines = terminal.lines
    assert not [line for line in lines if " checks, " in line]
    at = {name: n for n, line in enumerate(lines) for name in ("power-on", "outputs") if f"  {name} " in line}
    assert at["power-on"] < at["outputs"] < len(lines) - 5, "the verdict comes last"
    # one check of the stage belongs to the sequence of power cycling, which was not selected
    assert lines[at["power-on"]].endswith("10 of 10  1 not performed")
    assert "2 failed: q05, q06" in lines[at["outputs"]]
    unselected = [line for line in lines if "not selected" in line or "stages not performed" in line]
    assert 1 <= len(unselected) <= 2, "stages that were not selected are reported once"


@pytest.mark.parametrize(
    "environ", [{"NO_COLOR": "1"}, {"TERM": "dumb"}], ids=["no colour", "a dumb terminal"]
)
def test_plain_lines_without_colour(tmp_path: Path, environ: dict[str, str]) -> None:
    """Where no colour is wanted nothing is drawn over, and the verdict is a word."""
    with Terminal([*HILSEQ, *RUN, *FEW], tmp_path, environ=environ) as terminal:
        assert terminal.wait() == 3
        lines = terminal.lines
    assert "INCOMPLETE  RH16 RH-000102" in lines
    assert not [line for line in lines if "\u2588" in line or "\u25a0" in line]


def test_verbose_shows_each_check(visit: MakeVisit) -> None:
    """One line a check, its verdict, place and title in columns, its readings below."""
    done = visit(*FEW, "-v", "--defect", "outputs-shorted@q05+q06")
    lines = done.out.splitlines()
    assert max(len(line) for line in lines if "/" not in line) <= MOST_COLUMNS, "a path is never broken"
    checks = [line for line in lines if re.match(r"  (passed|failed) ", line)]
    assert len(checks) == len([check for check in done.unit["checks"] if "::" in check["id"]])
    titled = [line for line in checks if "Output switching, isolation and delay" in line]
    assert len({line.index("Output switching") for line in titled}) == 1, "in one column"
    assert any("idle current" in line and "mA" in line for line in lines)


def test_quiet_shows_the_verdict_only(visit: MakeVisit) -> None:
    """Which unit, its verdict, why, what next, the report."""
    done = visit(*FEW, "-q", "--defect", "outputs-shorted@q05+q06")
    lines = done.out.splitlines()
    assert lines[1] == "REPAIR  RH16 RH-000101"
    assert "q05 and q06: shorted" in done.out
    assert len(lines) <= 8, done.out


def test_a_missing_device_is_reported_once(visit: MakeVisit) -> None:
    """Every check needs it; the cause is reported where it was found, and with the verdict."""
    done = visit("--defect", "supply-silent")
    assert done.code == 4, done.out
    assert done.out.count("'*IDN?'") == 2, "where it happened, and with the verdict"
    assert len(done.out.splitlines()) <= 25, done.out
    assert "STAND FAULT  RH16 RH-000101" in done.out
    assert "hilseq ready" in done.out, "what to do next"
