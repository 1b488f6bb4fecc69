"""Two units in one visit, as plain pytest makes it: verdicts, gates, reports and safe state are each unit's own."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests import warm
from tests.end_to_end.conftest import ROOT, STANDS, Visit

DUO = STANDS / "duo-bench.yaml"
SEQUENCES = ROOT / "sequences"
SHORT = [str(SEQUENCES / "test_05_set_up.py"), str(SEQUENCES / "test_10_power_on.py")]
MakeDuo = Callable[..., Visit]


@pytest.fixture
def duo(tmp_path: Path) -> MakeDuo:
    """Make a visit of two units: `duo("--defect", "no-start@A.start")`."""

    def make(*options: str, serials: str = "A=RH-000201,B=RH-000202", stand: Path = DUO) -> Visit:
        folder = tmp_path / "run"
        line = [f"--stand={stand}", "--simulate", f"--unit={STANDS / 'units' / 'rh16.yaml'}"]
        line += [f"--serial={serials}", "--out", str(folder), *options]
        if not any(option.endswith(".py") for option in options):
            line.append(str(SEQUENCES))
        done = warm.pytest(*line, cwd=tmp_path)
        return Visit(done.returncode, done.stdout, done.stderr, folder)

    return make


def units(visit: Visit) -> dict[str, dict[str, Any]]:
    """Return the units of the summary by slot."""
    return {unit["slot"]: unit for unit in visit.summary["units"]}


def verdicts(visit: Visit, slot: str) -> dict[str, str]:
    """Return the verdict of each check of one unit, without the slot in its id."""
    return {
        check["id"].replace(f"[{slot}-", "[").replace(f"[{slot}]", ""): check["verdict"]
        for check in units(visit)[slot]["checks"]
    }


def entries(visit: Visit) -> list[dict[str, Any]]:
    """Return the journal."""
    lines = (visit.folder / "journal.jsonl").read_text(encoding="ascii").splitlines()
    return [json.loads(line) for line in lines]


def test_a_bad_unit_goes_to_repair_and_its_neighbour_ships(duo: MakeDuo) -> None:
    """One bad unit never ends another's run: the full set, two verdicts, two pages, the worse exit code."""
    done = duo("--defect", "output-stuck-off@A.q05")
    assert done.code == 1, done.out[-3000:]
    found = units(done)
    assert (found["A"]["disposition"], found["B"]["disposition"]) == ("repair", "ship")
    assert "q05" in {finding["place"] for finding in found["A"]["findings"]}
    assert not found["B"]["findings"]
    assert verdicts(done, "A").keys() == verdicts(done, "B").keys()
    assert set(verdicts(done, "B").values()) == {"passed"}
    assert {"report-RH-000201.html", "report-RH-000202.html"} <= {path.name for path in done.folder.iterdir()}


def test_a_gate_closes_its_own_unit_only(duo: MakeDuo) -> None:
    """A unit that does not start is tested no further and loses its power; the other is tested as planned."""
    done = duo("--defect", "no-start@B.start", *SHORT)
    a, b = verdicts(done, "A"), verdicts(done, "B")
    assert b["test_10_power_on.py::test_starts"] == "failed"
    assert b["test_10_power_on.py::test_current_when_idle"] == "not performed"
    assert a["test_10_power_on.py::test_current_when_idle"] == "passed"
    safe = [entry for entry in entries(done) if entry["kind"] == "made safe"]
    assert [entry["slot"] for entry in safe] == ["A", "B", ""]
    assert all(entry["verified"] for entry in safe)


def test_a_unit_that_is_done_with_is_switched_off(duo: MakeDuo) -> None:
    """No unit stays powered while the next one is tested."""
    done = duo(*SHORT)
    reported = [(entry.get("what", entry["kind"]), entry.get("slot")) for entry in entries(done)]
    assert reported.index(("made safe", "A")) < reported.index(("supply on", "B"))


def test_a_stand_fault_of_one_slot_loses_one_verdict(duo: MakeDuo) -> None:
    """A dead channel at slot A is distinguished: A is a stand fault, B is tested to its end."""
    done = duo("--defect", "dead-channel@A.ai05", *SHORT)
    assert done.code == 4, done.out[-3000:]
    a, b = verdicts(done, "A"), verdicts(done, "B")
    assert a["test_05_set_up.py::test_loopbacks"] == "stand fault"
    assert a["test_10_power_on.py::test_starts"] == "not performed"
    assert set(b.values()) >= {"passed"}
    assert "stand fault" not in b.values()
    assert b["test_10_power_on.py::test_current_when_live"] == "passed"


def test_a_stand_fault_that_concerns_both_ends_both(duo: MakeDuo) -> None:
    """An open cover is everybody's: neither unit is powered and nothing is said against either."""
    done = duo("--defect", "interlock-open@A.cover", *SHORT)
    assert done.code == 4
    for slot in ("A", "B"):
        assert "failed" not in verdicts(done, slot).values()
        assert verdicts(done, slot)["test_10_power_on.py::test_starts"] == "not performed"
    assert "supply on" not in {entry.get("what") for entry in entries(done)}


def test_what_cannot_be_made_safe_ends_the_run(duo: MakeDuo, tmp_path: Path) -> None:
    """A supply that goes silent under power: safety comes first, so B is not begun, and is not blamed."""
    stand = tmp_path / "stand.yaml"
    text = DUO.read_text(encoding="utf-8")
    stand.write_text(
        text.replace("    settle: 50 ms\n", "    settle: 50 ms\n    deadline: 200 ms\n"), encoding="utf-8"
    )
    done = duo("--defect", "supply-silent@A.supply left,after=3s", *SHORT, stand=stand)
    assert done.code == 4, done.out[-3000:]
    assert "switch it off by hand" in " ".join(done.out.split()), done.out
    assert "failed" not in {*verdicts(done, "A").values(), *verdicts(done, "B").values()}
    assert "supply on" not in {e.get("what") for e in entries(done) if e.get("slot") == "B"}


def test_one_unit_alone_on_a_stand_for_two(duo: MakeDuo) -> None:
    """A file without a slot is for the units that have a serial number; the other slot stays out of it."""
    done = duo(*SHORT, serials="B=RH-000202")
    assert list(units(done)) == ["B"]
    assert {"supply right", "io rack"} == {e["name"] for e in entries(done) if e["kind"] == "instrument"}
