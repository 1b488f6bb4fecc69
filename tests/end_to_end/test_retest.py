"""After a repair: what failed runs first, the full set is still needed, and every earlier run is counted."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.end_to_end.conftest import ROOT, MakeVisit, Visit

SEQUENCES = ROOT / "sequences"
SOME = [str(SEQUENCES / name) for name in ("test_10_power_on.py", "test_50_modes.py", "test_70_inputs.py")]


def entries(visit: Visit) -> list[dict[str, Any]]:
    """Return the journal."""
    lines = (visit.folder / "journal.jsonl").read_text(encoding="ascii").splitlines()
    return [json.loads(line) for line in lines]


def started(visit: Visit) -> list[str]:
    """Return the checks in the order in which they began."""
    return [entry["check"].partition("::")[2] for entry in entries(visit) if entry["kind"] == "check started"]


def test_what_failed_runs_first_after_the_gates(visit: MakeVisit) -> None:
    """Gates keep the unit safe and stay in front; then come the failed checks; then all the others."""
    first = visit(*SOME, "--defect", "input-stuck-off@i05", name="first")
    failed = [check.partition("::")[2] for check, verdict in first.verdicts().items() if verdict == "failed"]
    assert failed
    assert first.code == 1
    second = visit(*SOME, "--retest", str(first.folder), name="second")
    order = started(second)
    gates = [
        e["check"].partition("::")[2] for e in entries(second) if e["kind"] == "check planned" and e["gate"]
    ]
    assert order[: len(gates)] == gates
    assert set(order[len(gates) : len(gates) + len(failed)]) == set(failed)
    assert sorted(order) == sorted(started(first))
    assert entries(second)[0]["options"]["retest"] == "first"


def test_a_retest_of_the_failed_checks_alone_never_ships(visit: MakeVisit) -> None:
    """`ship` needs the complete set in one run: the failed checks alone are incomplete."""
    first = visit(*SOME, "--defect", "input-stuck-off@i05", name="first")
    only = visit(str(SEQUENCES / "test_70_inputs.py"), "--retest", str(first.folder), name="second")
    assert (only.code, only.disposition) == (3, "incomplete")


def test_a_unit_that_is_retried_is_seen(visit: MakeVisit) -> None:
    """Earlier runs of the same serial are counted in header and report; those of other units are not."""
    set_up = str(SEQUENCES / "test_10_power_on.py")
    visit(set_up, "--defect", "no-start", name="a-first")
    visit(set_up, serial="RH-000999", name="b-other")
    visit(set_up, name="c-second")
    third = visit(set_up, name="d-third")
    (unit,) = entries(third)[0]["units"]
    assert [run["run"] for run in unit["prior_runs"]] == ["a-first", "c-second"]
    assert [run["disposition"] for run in unit["prior_runs"]] == ["repair", "incomplete"]
    assert unit["prior_runs"][0]["findings"][0].startswith("start: the unit is not ready")
    page = (third.folder / "report-RH-000101.html").read_text(encoding="utf-8")
    assert "This is visit number 3" in page
    assert "a-first" in page


@pytest.mark.parametrize(
    ("run", "words"),
    [("other", "that run tested RH-000999, not RH-000101"), ("nowhere", "holds no journal.jsonl")],
    ids=["a run of another unit", "no run at all"],
)
def test_a_retest_of_something_else_is_refused(
    visit: MakeVisit, tmp_path: Path, run: str, words: str
) -> None:
    """The run must be one of this unit: exit code 2, nothing powered."""
    set_up = str(SEQUENCES / "test_05_set_up.py")
    visit(set_up, serial="RH-000999", name="other")
    done = visit(set_up, "--retest", str(tmp_path / run), name="second")
    assert done.code == 2
    assert words in done.out + done.err
    assert not done.folder.exists()
