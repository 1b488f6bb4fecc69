"""Sequences of one's own: no registration, honest about what was left out, and about their own mistakes."""

from __future__ import annotations

from pathlib import Path

from tests.end_to_end.conftest import ROOT, MakeVisit


def _readme_sequence() -> str:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    return text.partition("```python\n")[2].partition("```")[0]


def test_the_sequence_of_the_readme_runs(visit: MakeVisit, tmp_path: Path) -> None:
    """The README's sequence, dropped into any folder, runs beside the shipped ones, and the unit ships."""
    folder = tmp_path / "my_checks"
    folder.mkdir()
    (folder / "test_mine.py").write_text(_readme_sequence(), encoding="utf-8")
    done = visit(str(ROOT / "sequences"), str(folder))
    assert (done.code, done.disposition) == (0, "ship"), done.out[-2000:]
    (mine,) = [check for check in done.unit["checks"] if check["id"].startswith("test_mine.py")]
    assert mine["verdict"] == "passed"
    assert [reading["verdict"] for reading in mine["readings"]] == ["conforms"]


def test_a_part_of_the_job_is_incomplete(visit: MakeVisit) -> None:
    """A visit with one stage only can never ship; it says what was not performed."""
    done = visit(str(ROOT / "sequences" / "test_10_power_on.py"))
    assert (done.code, done.disposition) == (3, "incomplete")
    assert done.verdicts()["stage outputs"] == "not performed"


def test_what_was_deselected_is_not_performed(visit: MakeVisit) -> None:
    """Deselected checks stay in the record."""
    done = visit(str(ROOT / "sequences" / "test_60_outputs.py"), "--", "-k", "not q05")
    assert (done.code, done.disposition) == (3, "incomplete")
    left_out = [check for check in done.unit["checks"] if "q05" in check["id"]]
    assert left_out
    assert {(one["verdict"], one["why"]) for one in left_out} == {("not performed", "it was not selected")}


def test_a_broken_sequence_is_never_the_units_fault(visit: MakeVisit, tmp_path: Path) -> None:
    """An exception that is nobody's verdict counts against the stand's side."""
    broken = tmp_path / "test_broken.py"
    broken.write_text("def test_broken(ready_unit):\n    raise KeyError('oops')\n", encoding="utf-8")
    done = visit(str(broken))
    assert (done.code, done.disposition) == (4, "stand fault")
    assert "the sequence itself broke: KeyError" in done.unit["checks"][0]["why"]


def test_a_file_that_cannot_be_collected_powers_nothing(visit: MakeVisit, tmp_path: Path) -> None:
    """A syntax error in a sequence ends with code 2 before anything is powered."""
    broken = tmp_path / "test_broken.py"
    broken.write_text("def test_broken(:\n", encoding="utf-8")
    done = visit(str(broken))
    assert done.code == 2
    assert not (done.folder / "journal.jsonl").exists()
    assert "SyntaxError" in done.err
    assert "nothing was powered" in done.err


def test_a_check_that_needs_a_person_is_not_performed(visit: MakeVisit, tmp_path: Path) -> None:
    """Where only a person can move the switch, unattended mode checks are not performed, and say why."""
    stand = tmp_path / "stand.yaml"
    text = (ROOT / "stands" / "sim-bench.yaml").read_text(encoding="utf-8")
    relays = ("s1..s3:", "bs1..bs3:", "at s1..at s3:")
    lines = [line for line in text.splitlines() if not line.strip().startswith(relays)]
    stand.write_text("\n".join(lines), encoding="utf-8")
    some = ("test_10_power_on.py", "test_40_configuration.py", "test_50_modes.py", "test_60_outputs.py")
    done = visit(*(str(ROOT / "sequences" / name) for name in some), stand=stand)
    assert (done.code, done.disposition) == (3, "incomplete"), done.out[-3000:]
    whys = {c["why"] for c in done.unit["checks"] if c["verdict"] == "not performed"}
    assert any("it needs an operator and none is there" in why for why in whys)
    assert "failed" not in done.verdicts().values()
