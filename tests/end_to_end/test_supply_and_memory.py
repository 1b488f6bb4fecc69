"""Whole visits: defects of supply, start, memory, clock and battery beyond their limits are found, and where.

Severities are those of the simulator's catalogue: at `matters` a defect clearly lies beyond the profile's
limits, at `harmless` inside them. Every kind is tried by `hilseq coverage`; here one of each sort.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.end_to_end.conftest import STANDS, MakeVisit
from tests.hasty import changed
from tests.other_units import BARE_TABLE, LOGGED, Change

POWER_ON, FAULTS, MEMORY, DRIFT, MARGINS, CYCLING = (
    str(STANDS.parent / "sequences" / name)
    for name in (
        "test_10_power_on.py",
        "test_30_stored_faults.py",
        "test_45_clock_and_memory.py",
        "test_82_clock_drift.py",
        "test_85_supply_margins.py",
        "test_90_power_cycling.py",
    )
)
#: defect, the sequence that must find it, and where
BEYOND = [
    ("hold-up-short,severity=0.9", MARGINS, "supply"),
    ("start-threshold-high,severity=0.75", MARGINS, "supply"),
    ("stop-threshold-high,severity=0.75", MARGINS, "supply"),
    ("clock-drifts,severity=0.6", DRIFT, "clock"),
    ("clock-not-kept", MEMORY, "clock"),
    ("battery-low,severity=0.7", MEMORY, "battery"),
    ("battery-open", MEMORY, "battery"),
    ("configuration-not-stored", MEMORY, "configuration"),
    ("live-current-high,severity=0.9", POWER_ON, "supply"),
    ("no-start,probability=0.2", CYCLING, "start"),
]
WITHIN = [
    ("hold-up-short,severity=0.2", MARGINS),
    ("start-threshold-high,severity=0.25", MARGINS),
    ("stop-threshold-high,severity=0.25", MARGINS),
    ("clock-drifts,severity=0.1", DRIFT),
    ("battery-low,severity=0.3", MEMORY),
]


@pytest.mark.parametrize(("defect", "sequence", "place"), BEYOND, ids=[row[0] for row in BEYOND])
def test_a_defect_beyond_its_limit_is_found_and_located(
    visit: MakeVisit, defect: str, sequence: str, place: str
) -> None:
    """The unit goes to repair, and a finding names the place."""
    done = visit("--defect", defect, sequence)
    assert done.code == 1, done.out[-2000:]
    assert place in done.places
    assert "stand fault" not in done.verdicts().values()


@pytest.mark.parametrize(("defect", "sequence"), WITHIN, ids=[row[0] for row in WITHIN])
def test_a_defect_within_its_limit_is_not_found(visit: MakeVisit, defect: str, sequence: str) -> None:
    """What lies inside the profile's limits, with the stand's uncertainty, is no fault."""
    done = visit("--defect", defect, sequence)
    assert "failed" not in done.verdicts().values(), done.out[-2000:]


def test_one_bad_start_in_many_is_found_with_its_cycle(visit: MakeVisit) -> None:
    """The message names the cycle, what was wrong, and what the starts so far show."""
    done = visit("--defect", "no-start,probability=0.1", "--seed", "4", CYCLING)
    (check,) = [c for c in done.unit["checks"] if c["verdict"] == "failed" and "cold" in c["id"]]
    assert "cold start 6" in check["why"]
    assert "failed: the unit is not ready" in check["why"]
    assert "the claim is not shown" in check["why"]


def test_what_was_proven_stands_in_the_record(visit: MakeVisit) -> None:
    """The sentence about the starts, their table, and the ride-through are in the journal."""
    done = visit(MARGINS, CYCLING)
    entries = [json.loads(line) for line in (done.folder / "journal.jsonl").read_text("utf-8").splitlines()]
    said = {entry["what"]: entry["text"] for entry in entries if entry["kind"] == "event"}
    assert "with 90 % confidence the unit starts with a probability of at least 0.9006" in said["proof"]
    (page,) = done.folder.glob("report-*.html")
    _, _, after_the_heading = page.read_text("utf-8").partition("What the numbers prove</h2>")
    assert said["proof"] in after_the_heading.partition("</section>")[0]
    assert "1 ms apart (3 repeats" in said["ride-through"]
    tables = {entry["name"]: entry for entry in entries if entry["kind"] == "table"}
    assert len(tables["cold starts"]["rows"]) == 22
    assert len(tables["time to ready of every start"]["rows"]) >= 22 + 6
    assert {"slow ramp", "interruptions"} <= set(tables)


def test_a_twin_of_a_supply_that_greets_and_echoes(visit: MakeVisit, tmp_path: Path) -> None:
    """The stand file says so, the twin does so, and the visit goes as with any other supply."""
    talkative = ("    settle: 50 ms\n", "    settle: 50 ms\n    greeting: true\n    echo: true\n")
    stand = tmp_path / "stand.yaml"
    stand.write_text(changed(STANDS / "sim-bench.yaml", (talkative,)), encoding="utf-8")
    done = visit(POWER_ON, stand=stand)
    assert not {"failed", "stand fault"} & set(done.verdicts().values()), done.out[-2000:]
    assert "passed" in done.verdicts().values()


def test_an_old_battery_is_found_by_its_date(visit: MakeVisit) -> None:
    """Five years, by the date of the intake (check value 10.1: common practice, no source)."""
    old = visit("--note", "battery-date=2020-01", MEMORY, name="old")
    assert old.places == {"battery"}
    young = visit("--note", "battery-date=2025-01", MEMORY, name="young")
    assert "failed" not in young.verdicts().values()


def test_an_output_that_is_dead_anyway_says_nothing_about_the_supply(visit: MakeVisit) -> None:
    """Margins blame the supply only for what works at rated supply."""
    done = visit("--defect", "output-stuck-off@q05", MARGINS)
    assert "failed" not in done.verdicts().values(), done.out[-2000:]


def test_the_time_of_a_fault_is_read_in_its_order(visit: MakeVisit, tmp_path: Path) -> None:
    """A table that stores its times low word first tells the same times as one that stores them high first."""
    swapped = tmp_path / "swapped.yaml"
    order = ("  time: 2\n", "  time: 2\n  time-order: low first\n")
    swapped.write_text(changed(STANDS / "units" / "rh16.yaml", (order,)), encoding="utf-8")
    reported = []
    for name, unit in (("high", STANDS / "units" / "rh16.yaml"), ("low", swapped)):
        done = visit(FAULTS, "--seed", "3", unit=unit, name=name)
        journal = (done.folder / "journal.jsonl").read_text(encoding="ascii").splitlines()
        tables = [entry for entry in map(json.loads, journal) if entry["kind"] == "faults"]
        reported.append([fault["time"] for fault in tables[0]["entries"]])
    assert reported[0], "this seed comes without a history"
    assert reported[0] == reported[1]


@pytest.mark.parametrize("missing", [(), BARE_TABLE], ids=["", "no counter, no clearing"])
@pytest.mark.parametrize(("defect", "expected"), [("", "passed"), ("fault-returns,code=0x42", "failed")])
def test_a_log_of_power_ups_in_the_fault_table_blames_nobody(
    visit: MakeVisit, tmp_path: Path, defect: str, expected: str, missing: tuple[Change, ...]
) -> None:
    """Each start leaves an entry that the profile calls routine; a fault beside it counts as ever."""
    unit = tmp_path / "logging.yaml"
    unit.write_text(changed(STANDS / "units" / "rh16.yaml", (LOGGED, *missing)), encoding="utf-8")
    options = ["--defect", defect] if defect else []
    done = visit(*options, FAULTS, MARGINS, "--seed", "3", unit=unit)
    journal = (done.folder / "journal.jsonl").read_text(encoding="ascii").splitlines()
    tables = [entry for entry in map(json.loads, journal) if entry["kind"] == "faults"]
    assert any(not fault["routine"] for fault in tables[0]["entries"]), "this seed comes without a history"
    (check,) = [
        verdict for name, verdict in done.verdicts().items() if name.startswith("test_30_stored_faults.py")
    ]
    assert check == expected, done.out[-2000:]
    assert ("failed" in done.verdicts().values()) == (expected == "failed")
    (path,) = done.folder.glob("report-*.html")
    page = path.read_text(encoding="utf-8")
    assert "power-up logged" in page
    assert "<strong>power-up logged" not in page, "advice is for faults"
    assert ("<strong>battery low" in page) == (expected == "failed")
