"""Random faults of the model: draws, what an oracle knows of them, and what a visit made of them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from hilseq import resources
from hilseq.coverage.cases import Case, judge_case
from hilseq.coverage.random_faults import Goal, draw_random, goals, outcomes, strata
from hilseq.coverage.table import Rate
from hilseq.twin import broken_promises, catalogue, model_faults
from tests import warm

STANDS = resources.folder("stands")
STAND, UNIT = STANDS / "sim-bench.yaml", STANDS / "units" / "rh16.yaml"


def _row(kind: str, side: str = "unit", *, graded: bool = False, at: str = "q01") -> dict[str, Any]:
    return {
        "kind": kind,
        "side": side,
        "stage": "model",
        "severity": "in limits" if graded else "not graded: there or not",
        "spots": [{"place": at, "located": [at]}],
    }


ROWS = [
    _row("open-one"),
    _row("gain-two", graded=True),
    _row("gain-three", graded=True),
    _row("open-wire", "stand"),
]


def _draw(count: int = 48, seed: int = 0, ratio: float | None = 2.0) -> list[Case]:
    broken = [{"promise": "follows", "place": "q09", "ratio": ratio}]
    return draw_random(
        ROWS, count, seed=seed, ambient=30.0, oracle=lambda cases: [list(broken) for _ in cases]
    )


def test_classes_are_drawn_in_equal_numbers() -> None:
    """Each class as often as every other, though one of them has two kinds; the same seed draws the same."""
    cases = _draw()
    classes = [(case.side, case.defect.partition("-")[0]) for case in cases if case.defect]
    assert {classes.count(each) for each in set(classes)} == {16}
    assert cases == _draw()
    assert cases != _draw(seed=1)


def test_each_draw_has_the_visit_of_its_seed_without_the_fault() -> None:
    """With a soak where it has one."""
    cases = _draw()
    good = {(case.seed, case.warm) for case in cases if not case.defect}
    assert good == {(case.seed, case.warm) for case in cases if case.defect}
    assert all(case.warm for case in cases if case.when.startswith("above"))


def _summary(disposition: str, *found: str) -> dict[str, Any]:
    return {
        "units": [
            {
                "disposition": disposition,
                "findings": [{"place": place, "what": "it", "check": "c"} for place in found],
                "checks": [],
            }
        ]
    }


def _outcomes(disposition: str, *found: str, without: tuple[str, ...] = (), **case: Any) -> Any:
    broken = ({"promise": "p", "place": "q01", "ratio": None},)
    fault = Case(0, 1, "open-one", case.pop("side", "unit"), "q01", located=("q01",), broken=broken, **case)
    good = Case(1, 1)
    rows = [
        judge_case(fault, _summary(disposition, *found)),
        judge_case(good, _summary("repair" if without else "ship", *without)),
    ]
    (outcome,) = outcomes([fault, good], rows)
    return outcome, rows


@pytest.mark.parametrize(
    ("found", "without", "detected", "placed"),
    [
        (("q01",), (), True, True),
        (("q01", "q02"), (), True, False),
        (("q02",), (), False, False),
        (("q01",), ("q01",), False, False),
        (("q01", "q02"), ("q02",), True, True),
    ],
)
def test_only_a_finding_of_the_fault_detects_it(
    found: tuple[str, ...], without: tuple[str, ...], detected: bool, placed: bool
) -> None:
    """Neither one elsewhere, nor one that the same unit has without the fault."""
    outcome, _ = _outcomes("repair", *found, without=without)
    assert (outcome.detected, outcome.placed) == (detected, placed)


def test_a_stand_fault_that_sends_a_unit_to_repair_is_blame() -> None:
    """Counted apart from unit faults, and with its bounds."""
    outcome, rows = _outcomes("repair", "q02", side="stand")
    aims = {aim.name: aim for aim in goals([outcome], rows)}
    assert aims["stand fault, good unit: sent to repair"].as_data()["count"] == 1
    assert aims["stand fault beside one of the unit: shipped"].rate.trials == 0
    assert aims["without a fault: sent to repair"].rate.trials == 1
    assert strata([outcome]) == []


def test_faults_come_in_pairs_at_different_places() -> None:
    """By turns of the unit and of the stand; the oracle is asked of each, and of both of a unit together."""
    asked: list[tuple[int, Any]] = []

    def oracle(cases: Any) -> list[list[dict[str, Any]]]:
        asked.extend(cases)
        return [[{"promise": "follows", "place": "q09", "ratio": float(len(faults))}] for _, faults in cases]

    rows = [*ROWS, _row("stuck-two", at="q02"), _row("open-wire", "stand", at="q03")]
    pairs = [case for case in draw_random(rows, 80, seed=1, ambient=None, oracle=oracle) if case.beside]
    assert {case.beside.side for case in pairs if case.beside} == {"unit", "stand"}
    for case in pairs:
        assert case.beside is not None
        assert not {case.place} & {case.beside.place}
        assert case.specs == (case.spec, case.beside.spec)
        both = (case.seed, (case.fault, case.beside.fault)) in asked
        assert both is (case.beside.side == "unit")
        assert bool(case.together) is both


@pytest.mark.parametrize(
    ("found", "placed", "each"),
    [(("q01", "q02"), True, True), (("q02",), True, False), (("q01", "q02", "q03"), False, True)],
)
def test_of_two_faults_each_is_looked_for(found: tuple[str, ...], placed: bool, each: bool) -> None:
    """All findings right, and both of them found: two questions."""
    broken = ({"promise": "p", "place": "q01", "ratio": None},)
    second = Case(0, 1, "open-two", "unit", "q02", located=("q02",), broken=broken)
    outcome, rows = _outcomes("repair", *found, beside=second)
    assert (outcome.detected, outcome.placed, outcome.each) == (True, placed, each)
    aims = {aim.name: aim.rate for aim in goals([outcome], rows)}
    assert aims["of these, each of them found"] == Rate(int(each), 1)
    assert aims["one unit fault clearly beyond: detected"].trials == 0


@pytest.mark.parametrize(
    ("hits", "trials", "reached"),
    [(0, 0, "no draw"), (72, 72, "reached"), (10, 10, "too few draws to tell"), (50, 100, "missed")],
)
def test_a_goal_is_reached_when_its_bounds_are(hits: int, trials: int, reached: str) -> None:
    """Clopper-Pearson, 72 of 72 at 95 % two-sided: lower bound 0.025^(1/72) = 0.9501; recomputed by formula."""
    assert Goal("detected", Rate(hits, trials), least=0.95).reached == f"at least 95.0%: {reached}"


def test_a_line_is_about_what_is_clearly_beyond() -> None:
    """Just beyond a limit, inside it, and clearly beyond: each has its own column."""
    outcome, _ = _outcomes("ship")
    open_line, onset = strata([outcome])
    assert (open_line.name, onset.name) == ("open", "all that come at once")
    assert open_line.as_data()["shipped"]["count"] == 1
    # Clopper-Pearson, 0 of 1 at 95 % two-sided: upper bound 1 - 0.025; recomputed by formula.
    assert open_line.as_data()["detected"]["bounds"] == pytest.approx((0.0, 0.975))


def test_the_simulator_knows_what_is_broken() -> None:
    """The oracle's own process answers for each case, in their order; its kinds are none of the catalogue's."""
    files = [model_faults()]
    listed = {row["kind"] for row in catalogue(STAND, UNIT)}
    own = {row["kind"] for row in catalogue(STAND, UNIT, files)} - listed
    assert {"stuck-cell", "flat-analog", "gain-sense"} <= own
    one, other = "open-output@q03", "open-output@q04"
    known = broken_promises(STAND, UNIT, files, [(1, [one]), (1, [one, other])])
    assert [{each["place"] for each in broken} for broken in known] == [{"q03"}, {"q03", "q04"}]


def test_a_random_campaign_end_to_end(tmp_path: Path) -> None:
    """One draw and its pair through one stage, on a cluster of its own; the table as JSON says what was broken."""
    sequence = tmp_path / "test_one.py"
    sequence.write_text(
        "def test_on(ready_unit):\n    assert ready_unit.self_test() == 0\n", encoding="utf-8"
    )
    line = ["coverage", "--random", "1", "--seed", "5", "--jobs", "1", "--json", str(tmp_path / "table.json")]
    done = warm.hilseq(*line, "--out", str(tmp_path / "rows.jsonl"), str(sequence), cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    data = json.loads((tmp_path / "table.json").read_text(encoding="utf-8"))
    (outcome,) = data["outcomes"]
    assert {"fault", "class", "broken", "onset", "detected"} <= outcome.keys()
    assert "Clearly beyond" in done.stdout
