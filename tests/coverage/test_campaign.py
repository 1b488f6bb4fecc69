"""The coverage table: draws, rows, rates, resuming."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilseq.coverage.campaign import Workers
from hilseq.coverage.cases import Case, RowFile, campaign_of, choose, draw, judge_case
from hilseq.coverage.parcel import Parcel
from hilseq.coverage.table import tabulate
from hilseq.coverage.visits import CampaignSetup, visit_options
from hilseq.errors import StandFault, UsageError
from tests import warm

ROWS: list[dict[str, Any]] = [
    {
        "kind": "graded",
        "side": "unit",
        "stage": "heat",
        "harmless": 0.2,
        "matters": 0.8,
        "spots": [{"place": "q01", "located": ["q01"]}, {"place": "q02", "located": ["q02"]}],
    },
    {
        "kind": "plain",
        "side": "stand",
        "stage": "stand",
        "harmless": None,
        "matters": None,
        "spots": [{"place": "io rack", "located": ["io rack"]}],
    },
    {
        "kind": "tolerated",
        "side": "stand",
        "stage": "stand",
        "harmless": 1.0,
        "matters": None,
        "spots": [{"place": "io rack", "located": ["io rack"]}],
    },
]


@given(st.integers(0, 2**31), st.integers(0, 20), st.integers(0, 20))
def test_draws_keep_clear_of_the_limit(seed: int, draws: int, units: int) -> None:
    """Beyond the limits means from `matters` up, inside means up to `harmless`; good units have no defect."""
    cases = draw(ROWS, draws=draws, units=units, seed=seed)
    assert [case.number for case in cases] == list(range(3 * draws + units))
    for case in cases:
        if case.defect == "graded":
            assert case.severity is not None
            assert case.severity >= 0.8 if case.beyond else case.severity <= 0.2
            assert case.located == (case.place,)
        assert case.defect != "tolerated" or (case.severity is not None and not case.beyond)
    assert sum(not case.defect for case in cases) == units
    assert {case.defect for case in cases if case.warm} <= {"graded"}


def test_what_is_seen_warm_is_soaked_where_the_profile_plans_one() -> None:
    """A defect of heat gets a soak; other defects, good units and units without a plan get none."""
    cases = draw(ROWS, draws=1, units=1, seed=0)
    bench = CampaignSetup(Parcel(), "stand.yaml", "unit.yaml", "A", (), _broken_off, soaks=True)
    assert ["--soak" in visit_options(bench, case) for case in cases] == [True, False, False, False]
    plain = replace(bench, soaks=False)
    assert not any("--soak" in visit_options(plain, case) for case in cases)


def test_one_kind_draws_what_the_whole_campaign_draws() -> None:
    """Asking for one kind repeats its rows of the whole campaign, so that a miss can be looked at alone."""
    whole = [case for case in draw(ROWS, draws=5, units=3, seed=7) if case.defect == "plain"]
    alone = draw(choose(ROWS, ["plain"]), draws=5, units=0, seed=7)
    assert [(c.seed, c.spec) for c in whole] == [(c.seed, c.spec) for c in alone]


def test_an_unknown_kind_names_the_nearest() -> None:
    """A misspelled kind is refused with the right word."""
    with pytest.raises(UsageError, match="did you mean 'graded'"):
        choose(ROWS, ["gradde"])


def _summary(disposition: str, *places: str) -> dict[str, Any]:
    findings = [{"place": place, "what": "it", "check": "c"} for place in places]
    return {"units": [{"disposition": disposition, "findings": findings, "checks": []}]}


@pytest.mark.parametrize(
    ("side", "disposition", "place", "expected"),
    [
        ("unit", "repair", "q01", (True, True, False)),
        ("unit", "repair", "q02", (True, False, False)),
        ("unit", "stand fault", "q01", (False, False, True)),
        ("unit", "ship", "", (False, False, False)),
        ("unit", "incomplete", "", (False, False, False)),
        ("stand", "stand fault", "q01", (True, True, False)),
        ("stand", "repair", "q01", (False, False, True)),
    ],
)
def test_outcomes(side: str, disposition: str, place: str, expected: tuple[bool, bool, bool]) -> None:
    """Detected, located and wrongly blamed follow from disposition and places, by the side of the defect."""
    case = Case(0, 1, "graded", side, "q01", 1.0, located=("q01",))
    row = judge_case(case, _summary(disposition, *([place] if place else [])))
    assert (row["detected"], row["located"], row["wrongly_blamed"]) == expected


def test_the_table_counts_both_sides_of_the_limit() -> None:
    """Defects inside the limits are no misses when passed, and are alarms when found."""
    beyond = Case(0, 1, "graded", "unit", "q01", 0.9, beyond=True, located=("q01",))
    inside = Case(1, 1, "graded", "unit", "q01", 0.1, beyond=False, located=("q01",))
    rows = [
        judge_case(beyond, _summary("repair", "q01")),
        judge_case(inside, _summary("ship")),
        judge_case(inside, _summary("repair", "q01")),
        judge_case(Case(2, 1), _summary("ship")),
        judge_case(Case(3, 1), _summary("repair", "q01")),
    ]
    data = tabulate(rows).as_data()
    assert (data["detection"], data["location"], data["wrong_blame"]) == (1.0, 1.0, 0.0)
    assert (data["good_units"], data["false_alarms"], data["harmless_detected"]) == (2, 1, 0.5)
    # Clopper-Pearson, 1 of 1 at 95 % two-sided: lower bound (0.025)^(1/1); recomputed by formula.
    assert data["detection_bounds"] == pytest.approx((0.025, 1.0))


def test_a_torn_row_is_made_again(tmp_path: Path) -> None:
    """The half line of an interrupted campaign is cut, and the rows of another one are refused with the reason."""
    path = tmp_path / "rows.jsonl"
    campaign = campaign_of({"seed": 1}, Parcel())
    row = judge_case(Case(0, 1), _summary("ship"))
    RowFile(path, campaign).add(row)
    with path.open("a", encoding="utf-8") as file:
        file.write('{"number": 1')
    assert RowFile(path, campaign).rows == [row]
    assert path.read_text(encoding="utf-8").count("\n") == 2
    with pytest.raises(UsageError, match=r"another campaign \(other seed\)"):
        RowFile(path, campaign_of({"seed": 2}, Parcel()))


def test_rows_of_other_limits_prove_nothing(tmp_path: Path) -> None:
    """What the visits depend on has changed since: stand file, profile, or a sequence in a folder."""
    profile, sequences = tmp_path / "unit.yaml", tmp_path / "sequences"
    sequences.mkdir()
    (sequences / "test_a.py").write_text("", encoding="utf-8")
    profile.write_text("limit: 1", encoding="utf-8")
    path = tmp_path / "rows.jsonl"

    def asked() -> dict[str, Any]:
        parcel = Parcel()
        parcel.add(profile)
        parcel.add(sequences)
        return campaign_of({}, parcel)

    RowFile(path, asked())
    RowFile(path, asked())
    for changed in (profile, sequences / "test_a.py"):
        changed.write_text("limit = 2", encoding="utf-8")
        with pytest.raises(UsageError, match="stand file, profile or sequences have changed"):
            RowFile(path, asked())
        path.unlink()
        RowFile(path, asked())


@pytest.mark.parametrize(
    "content",
    [
        b"my notes",
        b"my notes\n",
        b"\x00\xff\xfe\n",
        b"[1]\n",
        b"{}\n",
        b"{head}\n[1]\n",
        b"{head}\n{}\n",
        b'{head}\n{"number": 1}\n{"number',
    ],
)
def test_a_file_of_something_else_is_left_as_it_is(tmp_path: Path, content: bytes) -> None:
    """A slip in --out costs nobody a file."""
    path = tmp_path / "notes.txt"
    campaign = campaign_of({"seed": 1}, Parcel())
    content = content.replace(b"{head}", json.dumps(campaign).encode())
    path.write_bytes(content)
    with pytest.raises(UsageError, match="left as it is"):
        RowFile(path, campaign)
    assert path.read_bytes() == content


@pytest.mark.parametrize("name", ["", "file/rows.jsonl"])
def test_where_no_rows_can_be_kept_is_said_so(tmp_path: Path, name: str) -> None:
    """A folder, and a file in place of a folder."""
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(UsageError, match="give another --out"):
        RowFile(tmp_path / name, campaign_of({}, Parcel()))


def _broken_off(_sequences: list[str], options: list[str], _stand: Path) -> int:
    folder = Path(options[options.index("--out") + 1])
    folder.mkdir()
    (folder / "summary.json").write_text('{"complete": false, "units": []}', encoding="utf-8")
    return 3


def test_a_visit_that_was_broken_off_is_no_row(tmp_path: Path, scheduler: str) -> None:
    """Ctrl-C reaches the visits too: what they say then is neither a miss nor an alarm, and is made again."""
    rows = RowFile(tmp_path / "rows.jsonl", campaign_of({}, Parcel()))
    cases = draw(ROWS, draws=1, units=0, seed=1)
    setup = CampaignSetup(Parcel(), "stand.yaml", "unit.yaml", "A", (), _broken_off)
    with Workers(1, scheduler) as workers, pytest.raises(StandFault, match="did not finish"):
        list(workers.make(setup, cases, rows))
    assert not rows.rows


def test_a_small_campaign_end_to_end(tmp_path: Path, scheduler: str) -> None:
    """Real visits: a defect is found and placed, a good unit ships; called again, nothing is made twice."""
    line = ["coverage", "--kind", "output-stuck-on", "--draws", "1", "--scheduler", scheduler]
    line += ["--units", "1", "--out", str(tmp_path / "rows.jsonl"), "--json", str(tmp_path / "table.json")]
    first = warm.hilseq(*line, cwd=tmp_path)
    assert first.returncode == 0, first.stderr
    table = json.loads((tmp_path / "table.json").read_text(encoding="utf-8"))
    (row,) = table["rows"]
    assert (row["defect"], row["detected"], row["located"], row["wrongly_blamed"]) == (
        "output-stuck-on",
        True,
        True,
        False,
    )
    assert (table["good_units"], table["false_alarms"]) == (1, 0)
    assert "workers: 1; dashboard: http://127.0.0.1:" in first.stderr
    again = warm.hilseq(*line, cwd=tmp_path)
    assert "2 of 2 visits were made before" in again.stderr
