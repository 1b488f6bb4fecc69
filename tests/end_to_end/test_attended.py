"""Attended visits: intake, prompts and answers, from a pipe and from a terminal, kept in the journal."""

from __future__ import annotations

import json
import os
import pty
import re
import select
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.end_to_end.conftest import ROOT, STANDS, MakeVisit
from tests.journal_schema import check_journal

RH16 = STANDS / "units" / "rh16.yaml"
SIM = STANDS / "sim-bench.yaml"
SET_UP = str(ROOT / "sequences" / "test_05_set_up.py")
KNOWN = """
operator: A. Tester
work-order: "0012"
complaint: no outputs
battery-date: 2021-03
battery-pulled: no
"""
ACTS = """
from hilseq.procedures.operator import Prompt

def test_acts(operator, unit):
    assert unit.intake["work-order"] == "0012"
    operator.act("Close the cover.", 30, picture="cover.png", slot="A")
    assert operator.ask(Prompt("Which lamp shines?", 30, ("green", "red"))) == "green"
"""


def journal(folder: Path) -> list[dict[str, Any]]:
    """Return the entries of a run."""
    lines = (folder / "journal.jsonl").read_text(encoding="ascii").splitlines()
    return [json.loads(line) for line in lines]


def command(folder: Path, *options: str, stand: Path = SIM) -> list[str]:
    """Return the command line of an attended visit."""
    line = [sys.executable, "-m", "hilseq", "run", "--stand", str(stand), "--unit", str(RH16), "--attended"]
    return [*line, "--serial", "RH-7", "--out", str(folder / "run"), *options]


@pytest.fixture
def acts(tmp_path: Path) -> list[str]:
    """Options of a visit with an own attended check and most of the intake known."""
    (tmp_path / "test_acts.py").write_text(ACTS, encoding="utf-8")
    (tmp_path / "intake.yaml").write_text(KNOWN, encoding="utf-8")
    return [str(tmp_path / "test_acts.py"), "--simulate", "--intake", str(tmp_path / "intake.yaml")]


def check_acts(folder: Path, out: str) -> None:
    """The check passed, and every answer is in the journal with who gave it."""
    entries = journal(folder / "run")
    (verdict,) = [e["verdict"] for e in entries if e["kind"] == "check ended" and "test_acts" in e["check"]]
    assert verdict == "passed", out
    answers = [e["prompt"] for e in entries if e.get("what") == "answered"]
    assert [e["answer"] for e in answers] == ["B", "scratched", "done", "green"]
    assert {e["by"] for e in answers} == {"A. Tester"}
    assert answers[2]["question"] == "Close the cover."
    assert answers[2]["picture"] == "cover.png"
    assert answers[3]["expected"] == ["green", "red"]
    check_journal(folder / "run")
    (unit,) = entries[0]["units"]
    assert unit["intake"] == {
        "operator": "A. Tester",
        "serial": "RH-7",
        "work-order": "0012",
        "complaint": "no outputs",
        "battery-date": "2021-03",
        "battery-pulled": "no",
        "revision": "B",
        "outside-condition": "scratched",
    }


def test_answers_from_a_pipe(tmp_path: Path, acts: list[str]) -> None:
    """Under pytest's capture, lines of a pipe are taken one by one; a wrong answer is asked for again."""
    answers = "B\nscratched\n\nblue\nGREEN\n"
    line = command(tmp_path, *acts)
    done = subprocess.run(
        line, input=answers, capture_output=True, text=True, check=False, timeout=200, cwd=tmp_path
    )
    check_acts(tmp_path, done.stdout + done.stderr)
    assert "expected one of: green, red" in done.stderr
    assert "cover.png (missing)" in done.stderr


def test_answers_on_a_terminal(tmp_path: Path, acts: list[str]) -> None:
    """On a terminal the question stands alone on its lines, and what is typed is the answer."""
    answers = iter(["B", "scratched", "done", "green"])
    controller, terminal = pty.openpty()
    line = command(tmp_path, *acts)
    with subprocess.Popen(line, stdin=terminal, stdout=terminal, stderr=terminal, cwd=tmp_path) as process:
        os.close(terminal)
        seen, answered, until = "", 0, time.monotonic() + 60
        while time.monotonic() < until:
            if not select.select([controller], [], [], 0.1)[0]:
                if process.poll() is not None:
                    break
                continue
            try:
                seen += os.read(controller, 4096).decode("utf-8", "replace")
            except OSError:
                break
            if seen.count(">>>") > answered and seen.rstrip(" ").endswith(">"):
                answered += 1
                os.write(controller, f"{next(answers)}\n".encode())
        process.wait(30)
    os.close(controller)
    check_acts(tmp_path, seen)
    assert "answer: done / cannot (Enter: done)" in seen


def test_nobody_answers_in_time(tmp_path: Path, acts: list[str]) -> None:
    """A time-out is noted, and the check is not performed: nothing is said against the unit."""
    own = tmp_path / "test_acts.py"
    own.write_text(ACTS.replace('"Close the cover.", 30', '"Close the cover.", 0.4'), encoding="utf-8")
    line = command(tmp_path, *acts)
    with subprocess.Popen(
        line, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True, cwd=tmp_path
    ) as process:
        assert process.stdin is not None
        process.stdin.write("B\nscratched\n")
        process.stdin.flush()
        assert process.wait(60) == 3
        process.stdin.close()
    (ended,) = [e for e in journal(tmp_path / "run") if e["kind"] == "check ended" and "acts" in e["check"]]
    assert ended["verdict"] == "not performed"
    assert ended["why"] == "no answer within 0.4 s: Close the cover."
    (late,) = [e for e in journal(tmp_path / "run") if e.get("what") == "not answered"]
    assert late["prompt"]["answer"] is None


@pytest.mark.parametrize("answer", ["cannot", ""], ids=["says so", "has gone"])
def test_the_operator_cannot(tmp_path: Path, acts: list[str], answer: str) -> None:
    """An operator who cannot do it, or is not there any more, leaves the check not performed."""
    said = f"B\nscratched\n{answer}\n" if answer else "B\nscratched\n"
    line = command(tmp_path, *acts)
    done = subprocess.run(
        line, input=said, capture_output=True, text=True, check=False, timeout=200, cwd=tmp_path
    )
    assert done.returncode == 3
    (ended,) = [e for e in journal(tmp_path / "run") if e["kind"] == "check ended" and "acts" in e["check"]]
    assert ended["verdict"] == "not performed"


def test_attended_with_nobody_there_is_refused(tmp_path: Path) -> None:
    """`--attended` without an input to answer on is an error before anything is powered."""
    line = command(tmp_path, "--simulate", SET_UP)
    done = subprocess.run(
        line, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False, timeout=200, cwd=tmp_path
    )
    assert done.returncode == 2
    assert "--attended says that a person is there, but no answer is possible" in done.stderr
    assert not (tmp_path / "run").exists()


def test_intake_from_notes(visit: MakeVisit) -> None:
    """Unattended, notes on the command line end up in the header; nothing is asked."""
    done = visit(SET_UP, "--note", "work-order=4711", "--note", "battery-pulled=YES")
    (unit,) = journal(done.folder)[0]["units"]
    assert unit["intake"] == {"work-order": "4711", "battery-pulled": "yes"}


@pytest.fixture
def hand_turned(tmp_path: Path) -> Iterator[Path]:
    """The file of a served stand on which only a person moves the switch."""
    stand, served = tmp_path / "stand.yaml", tmp_path / "served.yaml"
    lines = SIM.read_text(encoding="utf-8").splitlines()
    kept = [line for line in lines if not re.match(r"\s+(s1|bs1|at s1)\.\.", line)]
    stand.write_text("\n".join(kept), encoding="utf-8")
    line = [
        sys.executable,
        "-m",
        "hilseq",
        "simulate",
        "--stand",
        str(stand),
        "--unit",
        str(RH16),
        "--stepped",
    ]
    line += ["--stand-out", str(served)]
    with subprocess.Popen(line, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as twin:
        assert twin.stdout is not None
        while not twin.stdout.readline().startswith("stand file: "):
            assert twin.poll() is None
        yield served
        twin.terminate()


#: Two checks of a unit that runs live.
LIVE = """import pytest

pytestmark = [pytest.mark.stage("modes"), pytest.mark.place("supply")]


def test_is_live(live_unit):
    \"\"\"The unit, live.\"\"\"
    assert live_unit.modes.reported() == "live"


def test_is_live_again(live_unit):
    \"\"\"The unit, live still.\"\"\"
    assert live_unit.modes.reported() == "live"
"""


def test_a_person_turns_the_switch(tmp_path: Path, hand_turned: Path) -> None:
    """Where the stand cannot move the switch, a person is asked to; on a twin the answer turns it."""
    served = hand_turned
    (tmp_path / "intake.yaml").write_text(KNOWN + "revision: B\noutside-condition: good\n", encoding="utf-8")
    sequence = f"{ROOT / 'sequences' / 'test_50_modes.py'}::test_reaches"
    own = tmp_path / "test_99_live.py"
    own.write_text(LIVE, encoding="utf-8")
    line = command(tmp_path, sequence, str(own), "--intake", str(tmp_path / "intake.yaml"), stand=served)
    turned = []
    with subprocess.Popen(
        line, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, cwd=tmp_path
    ) as process:
        assert process.stdin is not None
        assert process.stderr is not None
        seen = ""
        while came := os.read(process.stderr.fileno(), 4096).decode():
            seen += came
            asked = re.search(r"Turn the mode switch of slot A to (\w+)\.[\s\S]*> $", seen)
            if asked:
                seen = ""
                turned.append(asked[1])
                process.stdin.write(b"done\n")
                process.stdin.flush()
        process.wait(60)
    ended = {
        entry["check"].partition("::")[2]: entry["verdict"]
        for entry in journal(tmp_path / "run")
        if entry["kind"] == "check ended" and "::test_" in entry["check"] and entry["verdict"] == "passed"
    }
    reached = {f"test_reaches[{mode}]" for mode in ("stopped", "held", "live")}
    assert reached | {"test_is_live", "test_is_live_again"} <= set(ended)
    # Never to where it is already, and not back between checks that want it live.
    assert turned == ["hold", "stop", "run"]
