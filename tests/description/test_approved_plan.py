"""The approved plan of a part: its file, what differs from it, and that the shipped ones are those of today."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from hilseq.cli.plan import collect
from hilseq.description.approved_plan import ApprovedPlan, differences, plan_file, plan_text, read_plan
from hilseq.description.loading import load_stand
from hilseq.description.visit import describe_visit
from hilseq.errors import UsageError
from hilseq.plugin.planned import FoundTests, PlannedCheck, compare

ROOT = Path(__file__).parents[2]
RH16 = ROOT / "stands" / "units" / "rh16.yaml"
PLAN = ApprovedPlan(
    part="RH16",
    profile="ab" * 32,
    sequences={"test_1.py": "cd" * 32, "test_2.py": "ef" * 32},
    checks={"test_1.py::test_a": "power-on", "test_2.py::test_b[q01]": "outputs"},
    revision=2,
    approved_by="M. Frei",
    approved_on="2026-11-30",
    why="first issue",
)


@pytest.mark.parametrize("pair", ["sim-bench:rh16", "lan-bench:rh16", "dx08-bench:dx08"])
def test_the_shipped_plans_are_those_of_today(pair: str) -> None:
    """Shipped sequences and profiles are what their approved plans name, on every shipped bench."""
    stand, _, unit = pair.partition(":")
    profile = ROOT / "stands" / "units" / f"{unit}.yaml"
    stand_file = ROOT / "stands" / f"{stand}.yaml"
    (slot,) = load_stand(stand_file).slots
    found = collect(describe_visit(stand_file, {slot: profile}), {slot: profile}, [str(ROOT / "sequences")])
    plan = read_plan(profile)
    assert plan is not None
    missing = {
        name: "it is not there any more" for name in plan.checks if name not in found.contents[slot].checks
    }
    assert differences(plan, found.contents[slot], missing) == [], (
        'sequences or profiles have changed: renew their approved plans by: bash .ci/approve "why"'
    )


def test_a_plan_is_read_back(tmp_path: Path) -> None:
    profile = tmp_path / "unit.yaml"
    assert read_plan(profile) is None
    plan_file(profile).write_text(plan_text(PLAN), encoding="utf-8")
    assert read_plan(profile) == PLAN


@pytest.mark.parametrize(
    ("how", "words"),
    [
        ("a check less", "was changed by hand: its identity does not fit"),
        ("no JSON", "is no approved plan"),
        ("a list", "is no approved plan"),
        ("no reason", "is no approved plan"),
        ("deep", "is no approved plan"),
    ],
)
def test_a_damaged_plan_is_refused(tmp_path: Path, how: str, words: str) -> None:
    """With the file, and what to do; who, when and why may not be empty."""
    text = plan_text(PLAN)
    data = json.loads(text)
    del data["checks"]["test_1.py::test_a"]
    changed = {"a check less": json.dumps(data), "no JSON": text[:-20], "a list": "[]", "deep": "[" * 100_000}
    changed["no reason"] = text.replace("first issue", "")
    profile = tmp_path / "unit.yaml"
    plan_file(profile).write_text(changed[how], encoding="utf-8")
    with pytest.raises(UsageError, match=words) as refused:
        read_plan(profile)
    assert "unit.plan.json" in str(refused.value)
    assert "hilseq plan --approve" in str(refused.value)


def _planned(name: str, stage: str = "power-on") -> PlannedCheck:
    return PlannedCheck(name, "A", "s", stage, "t", "p", gate=False)


@pytest.mark.parametrize(
    ("checks", "reported", "lacking"),
    [
        (["test_1.py::test_a", "test_1.py::test_b[q01]", "test_1.py::test_soaked"], [], {}),
        (
            ["test_1.py::test_a"],
            ["the check test_1.py::test_b[q01] of the plan: not possible on this stand"],
            {},
        ),
        (
            ["test_1.py::test_b[q01]"],
            ["the check test_1.py::test_a of the plan: not selected"],
            {"power-on": ["test_1.py::test_a"]},
        ),
        (
            ["test_1.py::test_a", "test_1.py::test_b[q01]", "test_1.py::test_c"],
            ["the check test_1.py::test_c beyond the plan"],
            {},
        ),
    ],
    ids=["as approved", "not on this stand", "not selected", "more"],
)
def test_what_a_run_does_otherwise(
    tmp_path: Path, checks: list[str], reported: list[str], lacking: dict[str, list[str]]
) -> None:
    """Less, more, or not possible here; the soak may be added. What nobody selected leaves its stage uncovered."""
    profile = tmp_path / "rh16.yaml"
    profile.write_bytes(RH16.read_bytes())
    sequence = tmp_path / "test_1.py"
    sequence.write_text("def test_a(): pass\n", encoding="utf-8")
    visit = describe_visit(ROOT / "stands" / "sim-bench.yaml", {"A": profile})
    approved = ["test_1.py::test_a", "test_1.py::test_b[q01]"]
    functions = {("test_1.py", name.partition("::")[2].partition("[")[0]) for name in checks}
    tests = FoundTests((sequence,), frozenset({*functions, ("test_1.py", "test_b")}))

    def compared(names: list[str]) -> tuple[list[str], dict[str, list[str]]]:
        planned = [_planned(name, "soak" if name.endswith("soaked") else "power-on") for name in names]
        found = compare(visit, "A", tests, planned)
        return list(found.entry.differences), found.not_selected

    assert compared(approved) == (["there is none for RH16 (rh16.plan.json)"], {})
    content = PLAN.model_copy(
        update={
            "profile": _sha(profile),
            "sequences": {"test_1.py": _sha(sequence)},
            "checks": dict.fromkeys(approved, "power-on"),
        }
    )
    plan_file(profile).write_text(plan_text(content), encoding="utf-8")
    assert compared(checks) == (reported, lacking)
    left_out = [_planned(name) for name in approved if name not in checks]
    found = compare(visit, "A", tests, [_planned(name) for name in checks if "soak" not in name], left_out)
    assert not found.not_selected  # each has an end of its own
    assert not found.entry.not_on_stand
    sequence.write_text("def test_a(): assert 1\n", encoding="utf-8")
    assert compared(approved)[0] == ["test_1.py was changed"]
    profile.write_bytes(RH16.read_bytes() + b"# a comment\n")
    assert "the profile is not the one that was approved" in compared(approved)[0]


def _sha(path: Path) -> str:
    import hashlib

    return hashlib.sha256(path.read_bytes()).hexdigest()
