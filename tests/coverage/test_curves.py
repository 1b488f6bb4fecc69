"""Operating curves: draws, what a visit tells of them, the promise, the picture; and one visit for all of it."""

from __future__ import annotations

import json
import random
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from hilseq.analysis.limits import Limits, ReadingVerdict, decide
from hilseq.analysis.uncertainty import DecisionRule, Term
from hilseq.coverage import curves
from hilseq.coverage.curves import draw_curves
from hilseq.errors import UsageError
from hilseq.journal.entries import CheckEnded, Reading
from hilseq.twin import true_values
from hilseq.verdicts import CheckVerdict
from tests import journals, warm

ROOT = Path(__file__).parents[2]
STAND, UNIT = ROOT / "stands" / "sim-bench.yaml", ROOT / "stands" / "units" / "rh16.yaml"
DROP = next(one for one in curves.JUDGED if one.kind == "true-voltage-drop")
RIDE = next(one for one in curves.JUDGED if one.kind == "true-ride-through")


def _rows(
    judged: curves.Judged, uncertainty: float, rule: str = "guarded", count: int = 1500
) -> list[dict[str, Any]]:
    """Return rows of a stand whose errors are normal with twice their deviation as the uncertainty it states."""
    stream = random.Random(7)
    cases = curves.draw([judged], {judged.kind: ["here"]}, [], visits=range(count), seed=1, first=0)
    limits = Limits(1.0, None) if judged.low else Limits(None, 1.0)
    guard = DecisionRule.read(rule).guard_band([Term("accuracy", 0.5 * uncertainty)])
    rows = []
    for case in cases:
        (value,) = case.values
        verdict = decide(value.share + stream.gauss(0.0, 0.5 * uncertainty), guard, limits)
        trial = {"kind": value.kind, "place": "here", "share": value.share, "verdict": str(verdict)}
        rows.append({"number": case.number, "trials": [{**trial, "guard_band": uncertainty}]})
    return rows


@pytest.mark.parametrize("judged", [DROP, RIDE], ids=["upper", "lower"])
def test_guarded_acceptance_keeps_its_promise(judged: curves.Judged) -> None:
    """A normal error of deviation U/2 is accepted at the limit in 2.28 % (ILAC-G8:09/2019, table 1: < 2.5 %)."""
    (curve,) = curves.tabulate([judged], _rows(judged, 0.05, count=4000))
    assert curve.at_limit.bounds is not None
    assert curve.at_limit.bounds[0] < 0.02275 < curve.at_limit.bounds[1] < curves.MOST_BOUND
    assert curve.inside.value is not None
    assert curve.inside.value > 0.95
    assert curve.blamed.value is not None
    assert curve.blamed.value < 0.025


def test_simple_acceptance_breaks_it() -> None:
    """Without a guard band half of what lies at the limit is accepted, and half of it found at fault."""
    (curve,) = curves.tabulate([DROP], _rows(DROP, 0.05, "simple"))
    assert curve.at_limit.value == pytest.approx(0.5, abs=0.05)
    assert len(curve.broken) == 2, curve.broken
    assert "cross" in str(draw_curves([curve], "simple"))


def test_few_draws_promise_nothing() -> None:
    """Ten draws without an acceptance could still be one in four."""
    (curve,) = curves.tabulate([DROP], _rows(DROP, 0.05, count=20))
    assert any("too few draws" in words for words in curve.broken)
    assert curves.as_data([curve])["curves"][0]["broken"] == curve.broken


def test_half_of_the_draws_lie_at_the_limit_and_a_quarter_two_guard_bands_inside() -> None:
    """As wide as the first visits have seen it; the same seed draws the same."""
    seen = [
        {"number": 0, "trials": [{"kind": DROP.kind, "share": 1.0, "verdict": "fails", "guard_band": 0.04}]}
    ]
    ask = partial(curves.draw, [DROP], {DROP.kind: ["q01", "q02"]}, seen, visits=range(400), seed=3, first=10)
    shares = [value.share for case in ask() for value in case.values]
    assert shares.count(1.0) / len(shares) == pytest.approx(0.5, abs=0.05)
    assert shares.count(0.916) / len(shares) == pytest.approx(0.25, abs=0.05)
    assert min(shares) == 0.7
    assert max(shares) == 1.3
    assert ask() == ask()
    assert ask()[0].number == 10
    assert ask()[0].specs[0] == "stand-errors@stand"


def test_an_unknown_true_value_names_the_known() -> None:
    """A kind that the twin cannot set here is refused with those that it can."""
    with pytest.raises(UsageError, match="expected one of true-voltage-drop"):
        curves.chosen({"true-voltage-drop": ["q01"]}, ["true-ride-through"])


def test_a_visit_tells_what_became_of_its_true_values(tmp_path: Path, scheduler: str) -> None:
    """Sixteen drops on one stand with errors: accepted where they lie well inside, never at the limit and beyond."""
    files = {name: tmp_path / name for name in ("rows.jsonl", "curves.json", "curves.svg")}
    line = ["coverage", "--curves", "--kind", DROP.kind, "--draws", "1", "--out", str(files["rows.jsonl"])]
    line += ["--scheduler", scheduler]
    line += ["--json", str(files["curves.json"]), "--picture", str(files["curves.svg"])]
    done = warm.hilseq(*line, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "voltage drop when on" in done.stdout
    (curve,) = json.loads(files["curves.json"].read_text(encoding="utf-8"))["curves"]
    assert curve["guard_band"] == pytest.approx(0.044, abs=0.01)
    assert sum(point["draws"] for point in curve["points"]) == 16
    assert len(curve["points"]) > 2
    for point in curve["points"]:
        deep, beyond = point["true_value"] <= 0.9, point["true_value"] >= 1.0
        assert point["accepted"] == (point["draws"] if deep else 0 if beyond else point["accepted"]), point
        assert not (deep and point["found_at_fault"]), point
    picture = files["curves.svg"].read_text(encoding="utf-8")
    assert picture.startswith("<svg")
    assert "http://www.w3.org/2000/svg" in picture
    again = warm.hilseq(*line, cwd=tmp_path)
    assert again.returncode == 0, again.stderr
    assert again.stdout == done.stdout, "a finished campaign is not made again"


def test_the_shipped_stand_can_set_every_true_value() -> None:
    """No curve is left out on it for want of a kind of the twin; it has no adapter that measures a port's clock."""
    missing = {judged.kind for judged in curves.JUDGED} - set(true_values(STAND, UNIT))
    assert missing == {"true-port-clock"}


def test_a_second_point_far_from_the_limit_has_a_reason() -> None:
    """Guard bands of 5 % put it at 0.9 of the limit; of 15 % at 0.7, which needs one."""
    near, far = (curves.tabulate([DROP], _rows(DROP, width, count=400))[0] for width in (0.05, 0.15))
    assert near.second == pytest.approx(0.9)
    assert near.wide == ""
    assert far.second == pytest.approx(0.7)
    assert any(words == "two guard bands inside is at 0.70 of the limit" for words in far.broken)
    (known,) = curves.tabulate([RIDE], _rows(RIDE, 0.15, count=400))
    assert known.second == pytest.approx(1.3)
    assert known.as_data()["why_wide"] == RIDE.wide != ""
    assert not any("guard bands inside is at" in words for words in known.broken)


LOW = next(one for one in curves.JUDGED if one.kind == "true-idle-current-low")
STARTED = "test_10_power_on.py::test_current_when_idle"


def _row(folder: Path, verdict: CheckVerdict, *readings: Reading) -> dict[str, Any]:
    """Return the row of a visit at the lower limit of the idle current, 85 mA, whose upper one is 135 mA."""
    entries = [*readings, CheckEnded(check=STARTED, verdict=verdict, seconds=1.0)]
    at = {"at": "2026-11-30T12:00:00.000+00:00"}
    journals.append_raw(folder, *(entry.model_dump(mode="json") | at for entry in entries))
    case = curves.CurveCase(0, 1, LOW.group, (curves.TrueValue(LOW.kind, "supply", 1.0),))
    (trial,) = case.row(folder)["trials"]
    return dict(trial)


def test_a_guard_band_is_a_share_of_the_limit_that_is_approached(tmp_path: Path) -> None:
    """1.7 mA are 2 % of 85 mA; of the other limit, 135 mA, they would seem less."""
    reading = Reading(
        check=STARTED, slot="A", name="idle current", value=0.0855, unit="A", uncertainty=0.0017,
        low=0.085, high=0.135, verdict=ReadingVerdict.MARGINAL, place="supply",
    )  # fmt: skip
    trial = _row(tmp_path, CheckVerdict.NOT_PERFORMED, reading)
    assert trial["verdict"] == "marginal"
    assert trial["guard_band"] == pytest.approx(0.02)


def test_what_its_check_refuses_unread_is_refused_and_what_was_not_looked_at_is_no_draw(
    tmp_path: Path,
) -> None:
    """A failed check has refused; one behind a closed gate has said nothing, and counts nowhere."""
    refused = _row(tmp_path / "refused", CheckVerdict.FAILED)
    unseen = _row(tmp_path / "unseen", CheckVerdict.NOT_PERFORMED)
    assert [refused["verdict"], unseen["verdict"]] == ["fails", "none"]
    (curve,) = curves.tabulate([LOW], [{"number": 0, "trials": [refused, unseen]}])
    assert (curve.at_limit.trials, curve.blamed.hits) == (1, 1)


def test_curves_take_no_sequence_and_pictures_are_of_curves(tmp_path: Path) -> None:
    """What does not go together is a usage error that says so."""
    for line in (["--curves", "anything"], ["--picture", "a.svg"]):
        done = warm.hilseq("coverage", *line, cwd=tmp_path)
        assert done.returncode == 2
        assert "curves" in done.stderr
