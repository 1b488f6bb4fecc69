"""A day at the station, on a real terminal: scan, fit, run, verdict, label, next."""

from __future__ import annotations

import json
import os
import re
import sys
from pathlib import Path

import pytest

from hilseq.cli.station import Day
from hilseq.description.loading import load_stand
from tests.end_to_end.conftest import ROOT, STANDS
from tests.live.conftest import whole_run
from tests.terminal import Terminal

SEQUENCE = """
import pytest

pytestmark = pytest.mark.stage("power-on")


def test_it(ready_unit):
    '''Label of the unit.'''
    assert ready_unit.serial != "RH-2", "it is the second unit"
"""


def station(*options: str, stand: Path = STANDS / "sim-bench.yaml") -> list[str]:
    """Return the command line of a station."""
    return [
        sys.executable,
        "-m",
        "hilseq",
        "station",
        "--stand",
        str(stand),
        "--simulate",
        "--out",
        "day",
        *options,
    ]


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A stand on which a person moves the switch, with a picture of where the unit goes."""
    text = (STANDS / "sim-bench.yaml").read_text(encoding="utf-8")
    kept = [line for line in text.splitlines() if not re.match(r"\s+(s1|bs1|at s1)\.\.", line)]
    lines = "\n".join(kept).replace("operator:", "operator:\n  pictures: {insert-unit: slot.png}")
    (tmp_path / "stand.yaml").write_text(lines + "\n", encoding="utf-8")
    (tmp_path / "units").mkdir()
    (tmp_path / "units" / "rh16.yaml").write_bytes((STANDS / "units" / "rh16.yaml").read_bytes())
    (tmp_path / "slot.png").write_bytes(b"")
    (tmp_path / "test_mine.py").write_text(SEQUENCE, encoding="utf-8")
    return tmp_path / "stand.yaml"


@pytest.mark.timeout(300)
def test_a_day(bench: Path, tmp_path: Path) -> None:
    """Each instruction stands alone and takes Enter only; the verdict is huge; the label goes to the printer."""
    printer = f"cp {{label}} {tmp_path}"
    line = station("test_mine.py", "--operator", "A. Tester", "--label-command", printer, stand=bench)
    with Terminal(line, tmp_path, rows=30) as terminal:
        scan = terminal.answer("Scan or type the serial number of the unit for slot A", "RH-2")
        assert "`end` ends the day" in scan
        first = terminal.answer("step 1 of", "RH-3")
        assert "Fit rack backplane with three neighbours: slot A." in first
        again = terminal.answer("press Enter alone", "")
        assert "step 1 of" in again, "a scan is no answer to an instruction"
        for _ in range(4):
            page = terminal.answer("Enter when it is done", "")
            assert page.count("Fit ") == 1, page
        page = terminal.answer("Put RH16 RH-2 into slot A.", "")
        assert f"picture:{tmp_path}/slot.png" in "".join(page.split()), "in one piece, however long"
        terminal.answer("Turn its mode switch to stop.", "")
        end = terminal.answer("Take RH-2 out of slot A.", "")
        assert "\u2588\u2588\u2588\u2588" in end, "REPAIR in huge letters"
        assert "it is the second unit" in end
        assert "after the repair, scan it here again" in end
        terminal.answer("Scan or type the serial number", "RH16 RH-3")
        page = terminal.answer("Put RH16 RH-3 into slot A.", "")
        assert "step 1 of 2" in page, "what is fitted already is not fitted again"
        terminal.answer("Turn its mode switch to stop.", "")
        assert "stages or checks were not selected" in terminal.answer("Take RH-3 out of slot A.", "")
        terminal.answer("Scan or type the serial number", "end")
        assert terminal.wait() == 0
        assert "2 units today: 1 repair, 1 incomplete" in terminal.text
    assert (tmp_path / "label-RH-2.pdf").read_bytes().startswith(b"%PDF")
    assert not (tmp_path / "label-RH-3.pdf").exists(), "no label without a verdict"
    (run,) = [path for path in (tmp_path / "day").iterdir() if path.name.endswith("RH_2")]
    header = json.loads((run / "journal.jsonl").read_text(encoding="ascii").partition("\n")[0])
    assert header["units"][0]["intake"]["operator"] == "A. Tester"


WAITING = """
import time
from pathlib import Path

import pytest

pytestmark = pytest.mark.stage("power-on")


def test_it(ready_unit, operator, clock):
    '''Goes on until its file is there; the unit in slot B asks something first.'''
    if ready_unit.slot == "B":
        operator.act("Press its button.", 600.0, slot="B")
    while not Path(__file__).with_name(ready_unit.serial).exists():
        time.sleep(0.05)
        clock.tick()
    assert ready_unit.serial != "RH-2", "it is the second unit"
"""


@pytest.mark.timeout(300)
def test_units_begin_and_end_beside_each_other(tmp_path: Path) -> None:
    """Each visit begins when its unit is fitted; the next free slot is named; who is done is reported as it comes."""
    (tmp_path / "test_mine.py").write_text(WAITING, encoding="utf-8")
    line = station("test_mine.py", "--operator", "A", "--unit", "RH16", stand=STANDS / "duo-bench.yaml")
    with Terminal(line, tmp_path, rows=40) as terminal:
        terminal.answer("next unit for slot A", "RH-1")
        while "Put RH16 RH-1 into slot A." not in terminal.answer("Enter when it is done", ""):
            pass
        assert "A    RH-1" in terminal.answer("next unit for slot B", "RH-1")
        terminal.answer("RH-1 is in slot A already", "RH-2")
        while "Put RH16 RH-2 into slot B." not in terminal.answer("Enter when it is done", ""):
            pass
        terminal.answer("Every slot is in use", "RH-3")
        assert "RH-3 has no slot yet" in terminal.until("RH-3 has no slot yet")
        terminal.answer("Slot B: Press its button.", "no")
        terminal.answer("expected one of: done, cannot", "")
        (tmp_path / "RH-2").touch()
        end = terminal.answer("Take RH-2 out of slot B.", "")
        assert "it is the second unit" in end
        assert "A    RH-1" in terminal.answer("next unit for slot B", "end")
        terminal.until("The day ends when these visits do.")
        (tmp_path / "RH-1").touch()
        terminal.answer("Take RH-1 out of slot A.", "")
        assert terminal.wait() == 0
        assert "2 units today: 1 repair, 1 incomplete" in terminal.text
    taken = sorted(path.parent.name[-4:] for path in (tmp_path / "day").glob("*/taken-out.txt"))
    assert taken == ["RH_1", "RH_2"]


def test_a_closed_terminal_is_no_verdict(tmp_path: Path) -> None:
    """The day ends as incomplete, whatever is asked just then."""
    with Terminal(station("--operator", "A", stand=STANDS / "duo-bench.yaml"), tmp_path) as terminal:
        terminal.until("next unit for slot A")
        assert terminal.hang_up() == 3


def test_a_part_that_nobody_knows_is_asked_for(tmp_path: Path) -> None:
    """The serial number alone does not say what it is: the known parts are named."""
    with Terminal(station("--operator", "A", str(ROOT / "sequences")), tmp_path) as terminal:
        terminal.answer("Scan or type the serial number", "X-1")
        assert "Known: DX08, RH16" in terminal.answer("part number of X-1", "RH17")
        terminal.answer("There is no profile of part RH17.", "rh16")
        assert "slot A, step 1 of" in terminal.until("Enter when it is done")


def test_the_end_of_the_day_leaves_no_fitted_unit_untested(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Where several units are tested in one visit, `end` at the next slot runs what is fitted as the last visit.

    A unit that comes back from repair is retested: what failed first, with a note of what was repaired.
    """
    failed = whole_run(tmp_path / "20260105-080000-RH_1", "failed", serial="RH-1", simulated=True)
    stand = STANDS / "duo-bench.yaml"
    reading, writing = os.pipe()
    with os.fdopen(reading) as lines, os.fdopen(writing, "w") as person:
        monkeypatch.setattr(sys, "stdin", lines)
        profile = f"A={STANDS / 'units' / 'rh16.yaml'}"
        day = Day(stand, load_stand(stand), [profile], [], ["--simulate"], tmp_path, "")
        steps = len(list(day._steps("A", "RH-1", STANDS / "units" / "rh16.yaml")))
        day._fitted.clear()
        person.write("RH-1\n" + "driver of q01\n" + "\n" * steps + "end\n")
        person.flush()
        units = day._fit_units()
        assert list(units) == ["A"]
        assert day._ends
        assert {f"--retest={failed}", "--note=A.repair=driver of q01"} <= set(day._line(units))
