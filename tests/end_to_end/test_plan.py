"""`hilseq plan`: published numbers of cycles, an honest time, and nothing powered."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from hilseq.analysis.ratio_plans import ratio_plan, risk_of_each
from tests import warm
from tests.end_to_end.conftest import STANDS
from tests.procedures.twin_unit import changed

RH16 = STANDS / "units" / "rh16.yaml"
SIM = STANDS / "sim-bench.yaml"


def plan(*options: str, unit: Path = RH16, stand: Path = SIM, cwd: Path) -> warm.Done:
    return warm.hilseq("plan", "--stand", str(stand), "--unit", str(unit), *options, cwd=cwd)


def planned(folder: Path, changes: dict[str, Any]) -> dict[str, Any]:
    """Return the plan of the only unit, its profile changed."""
    done = plan("--json", unit=changed(RH16, changes, folder), cwd=folder)
    assert done.returncode == 0, done.stderr
    (unit,) = json.loads(done.stdout)["units"]
    found: dict[str, Any] = unit
    return found


@pytest.mark.parametrize(
    ("probability", "confidence", "cycles"),
    [
        (0.90, 0.90, 22),  # check value 5.4
        (0.95, 0.95, 59),  # check value 5.4
        (0.99, 0.95, 299),  # check value 5.5
    ],
)
def test_a_claim_takes_the_published_number_of_cycles(
    tmp_path: Path, probability: float, confidence: float, cycles: int
) -> None:
    """The success run n = ln(1-C)/ln(R), rounded up."""
    claim = {"cycling.start-probability": probability, "cycling.confidence": confidence}
    starts = planned(tmp_path, claim)["starts"]
    assert (starts["fewest"], starts["most"]) == (cycles, cycles)


def test_a_sequential_claim_has_the_published_plan(tmp_path: Path) -> None:
    """No acceptance before 24; P(accept) 0.97795 and 0.09958, mean 30.21 (check values 5.13, 5.14)."""
    claim = {
        "cycling.plan": "sequential",
        "cycling.start-probability": 0.99,
        "cycling.worst-probability": 0.90,
    }
    starts = planned(tmp_path, claim)["starts"]
    assert starts["fewest"] == 24
    assert 1.0 - starts["producer_risk"] == pytest.approx(0.97795, abs=5e-4)
    assert starts["consumer_risk"] == pytest.approx(0.09958, abs=5e-4)
    assert starts["mean_of_a_good_unit"] == pytest.approx(30.21, abs=0.01)


def test_a_claim_that_its_cycles_cannot_prove_is_refused(tmp_path: Path) -> None:
    """Before anybody wastes a weekend, with the number that would do."""
    profile = changed(RH16, {"cycling.max-starts": 10}, tmp_path)
    done = plan(unit=profile, cwd=tmp_path)
    assert done.returncode == 2
    assert "`max-starts` allows 10 starts" in done.stderr
    assert "expected at least 22" in done.stderr


def test_a_plan_says_what_a_person_asks(tmp_path: Path) -> None:
    """Checks by stage, time, cycles, disk, soak, and what all that proves; nothing is left in the folder."""
    done = plan(cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    for words in (
        "RH16 in slot A:",
        "supply margins",
        "time on hardware: at most about",
        "power cycles: 22 cold, 6 warm and short",
        "disk: about",
        "soak (not needed to ship, only with --soak): 3 d more, at least 259025 samples, 5 power cycles, about 51.",
        "the whole visit: at most about 14 min 19 s on hardware, with --soak 3 d",
        "of it 13 min 7 s are what unit and stand need: off-times, starts, settling; 8 % are exchanges",
        "shows a mean time between failures above 24 h with 95 % confidence",  # check value 5.10
        "a start probability of at least 0.9006 with 90 % confidence",
        "in at most 30 interruptions (claimed: 10 ms)",
    ):
        assert words in done.stdout
    assert list(tmp_path.iterdir()) == []


def _seconds_of(plan: dict[str, Any], stage: str) -> float:
    (seconds,) = (each["seconds"] for each in plan["stages"] if each["stage"] == stage)
    return float(seconds)


def test_the_bits_of_a_claim_are_planned(tmp_path: Path) -> None:
    """The bits of the first look, in characters of 11 bits at 19200 Bd: two ports are judged twice each.

    One look at 95 % would take 3.00 / 1e-7 bits (check value of the rule of three).
    """
    before = _seconds_of(planned(tmp_path, {}), "ports")
    claim = {"ports.port 1.bit-error-ratio": 1e-7, "ports.port 1.speeds": ["19200 Bd"]}
    claim["ports.port 1.frame"] = "8E1"
    bits = ratio_plan(1e-7, risk_of_each(0.05, 4)).looks[0]
    assert bits > 2.9957e7
    after = _seconds_of(planned(tmp_path, claim), "ports")
    assert after - before == pytest.approx(bits * 11 / 8 / 19200, rel=0.01)


def test_a_stage_without_a_check_is_reported(tmp_path: Path) -> None:
    """Who plans with a folder of his own learns that the unit could not ship by it."""
    sequence = tmp_path / "test_mine.py"
    sequence.write_text("def test_mine(ready_unit) -> None:\n    assert ready_unit\n", encoding="utf-8")
    done = plan(str(sequence), cwd=tmp_path)
    assert "mine" in done.stdout
    assert "power cycling" in done.stdout
    assert "no check: the unit could not ship" in done.stdout


def test_what_declares_no_duration_is_planned_as_unknown(tmp_path: Path) -> None:
    """A name says nothing of how long a check takes: that of a shipped one does not either."""
    sequence = tmp_path / "test_mine.py"
    text = "import pytest\n\ndef test_rides_through(ready_unit): pass\n"
    text += "@pytest.mark.duration('2 min')\ndef test_waits(ready_unit): pass\n"
    sequence.write_text(text, encoding="utf-8")
    found = json.loads(plan("--json", str(sequence), cwd=tmp_path).stdout)["units"][0]
    assert (found["checks"], found["seconds"], found["unknown"]) == (2, 120.0, 1)
    said = plan(str(sequence), cwd=tmp_path).stdout
    assert "2 checks  about        2 min, 1 of unknown duration" in said
    assert "the whole visit: at most about 2 min and the unknown duration of 1 check on hardware" in said


def test_every_shipped_check_declares_its_duration(tmp_path: Path) -> None:
    """On the two stands of the worked examples, no time of the plan is unknown."""
    for stand, unit in ((SIM, RH16), (STANDS / "dx08-bench.yaml", STANDS / "units" / "dx08.yaml")):
        for planned_unit in json.loads(plan("--json", unit=unit, stand=stand, cwd=tmp_path).stdout)["units"]:
            assert planned_unit["unknown"] == 0


@pytest.mark.parametrize("marker", ["'soon'", "", "5", "estimate='2 s'", "'2 s', '3 s'"])
def test_a_duration_that_is_no_time_is_refused(tmp_path: Path, marker: str) -> None:
    """With the check, what was written and what was expected."""
    sequence = tmp_path / "test_mine.py"
    text = f"import pytest\n\n@pytest.mark.duration({marker})\ndef test_it(ready_unit): pass\n"
    sequence.write_text(text, encoding="utf-8")
    done = plan(str(sequence), cwd=tmp_path)
    assert done.returncode == 2
    assert "test_mine.py:3:1: marker duration(" in done.stderr
    assert "expected a time such as '500 ms'" in done.stderr


def test_a_sequence_that_is_broken_is_said_to_be(tmp_path: Path) -> None:
    """With pytest's own words, and the exit code of bad input."""
    sequence = tmp_path / "test_mine.py"
    sequence.write_text("def test_mine(:\n", encoding="utf-8")
    done = plan(str(sequence), cwd=tmp_path)
    assert done.returncode == 2
    assert "SyntaxError" in done.stderr


def test_the_plan_is_near_what_the_visit_takes(tmp_path: Path) -> None:
    """By the stepped clock the visit takes no longer than planned, and not a small part of it."""
    folder = tmp_path / "run"
    names = ["test_10_power_on.py", "test_45_clock_and_memory.py", "test_85_supply_margins.py"]
    paths = [str(STANDS.parent / "sequences" / name) for name in [*names, "test_90_power_cycling.py"]]
    line = ["run", *paths, "--stand", str(SIM), "--unit", str(RH16)]
    warm.hilseq(*line, "--serial", "RH-1", "--simulate", "--out", str(folder), cwd=tmp_path)
    entries = [json.loads(text) for text in (folder / "journal.jsonl").read_text("utf-8").splitlines()]
    took = sum(entry["seconds"] for entry in entries if entry["kind"] == "check ended")
    done = plan("--json", *paths, cwd=tmp_path)
    (unit,) = json.loads(done.stdout)["units"]
    assert 0.3 * unit["seconds"] < took <= unit["seconds"]
    held = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
    assert 0.3 * unit["disk_bytes"] < held < 2.0 * unit["disk_bytes"]


def test_the_disk_of_a_soak_is_planned_within_a_tenth(tmp_path: Path) -> None:
    """Two hours at 1 Hz: samples, their seals and the plots of the page, and no less than the samples alone."""
    unit = changed(RH16, {"soak.duration": "2 h", "soak.cycles": None}, tmp_path)
    folder = tmp_path / "run"
    line = [
        "run",
        str(STANDS.parent / "sequences" / "test_95_soak.py"),
        "--stand",
        str(SIM),
        "--unit",
        str(unit),
    ]
    warm.hilseq(*line, "--serial", "RH-1", "--simulate", "--soak", "--out", str(folder), cwd=tmp_path)
    disk = planned(tmp_path, {"soak.duration": "2 h", "soak.cycles": None})["soak"]["disk"]
    held = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
    assert 0.9 * held < disk < 1.1 * held
    assert disk > (folder / "samples-A.bin").stat().st_size
    assert "7200 samples, 0 power cycles, about 1.8 MB" in plan(unit=unit, cwd=tmp_path).stdout


def test_slots_are_planned_beside_each_other(tmp_path: Path) -> None:
    """What two slots take is what one takes; a week holds twice as many units; what is alike is reported once."""
    line = ["plan", "--stand", str(STANDS / "rack-bench.yaml"), "--unit", str(RH16), "--serial", "A=1,C=2"]
    reported = json.loads(warm.hilseq(*line, "--json", cwd=tmp_path).stdout)
    checks = reported["units"][0]["seconds"]
    bench = reported["visit"]
    assert [unit["slot"] for unit in reported["units"]] == ["A", "C"]
    assert (bench["seconds"], bench["seconds_with_soak"]) == (checks, checks + 72 * 3600.0)
    assert bench["units_a_week"] == pytest.approx(2 * 7 * 86400.0 / checks)
    assert 0.8 * checks < bench["floor"] < checks
    # Each second two questions for each output and five reads of the I/O, 20 ms each.
    assert {one["name"]: (one["slots"], one["busy"]) for one in bench["instruments"]} == {
        "supply p1": (2, pytest.approx(0.08)),
        "io rack": (2, pytest.approx(0.10)),
    }
    said = warm.hilseq(*line, cwd=tmp_path).stdout
    assert said.startswith("RH16 in slots A, C: ")
    assert "all 2 slots: at most about " in said
    assert "with room for 20" in said.splitlines()[-1]


def test_a_soak_without_a_watchdog_is_accepted_by_name(tmp_path: Path) -> None:
    """On hardware it begins only where the stand file says why; the plan says what it means."""
    refused = warm.hilseq(
        "run", "--stand", str(SIM), "--unit", str(RH16), "--serial", "RH-1", "--soak", cwd=tmp_path
    )
    assert refused.returncode == 2
    assert "supply main has no watchdog of its own" in refused.stderr
    assert "`without-watchdog: REASON`" in refused.stderr
    assert not list(tmp_path.glob("runs/*"))
    stays_on = "should this computer fail, its supply stays on until a person switches it off"
    assert f"{stays_on}; not accepted" in plan(cwd=tmp_path).stdout
    reason = {"supplies.main.without-watchdog": "a timer relay cuts the mains"}
    stand = changed(SIM, reason, tmp_path)
    assert f"{stays_on}; accepted: a timer relay cuts the mains" in plan(stand=stand, cwd=tmp_path).stdout
