"""Sequences of one's own: no registration, honest about what was left out, and about their own mistakes."""

from __future__ import annotations

import json
from pathlib import Path

from hilseq import resources
from tests.end_to_end.conftest import ROOT, STANDS, MakeVisit


def _readme_sequence() -> str:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    return text.partition("```python\n")[2].partition("```")[0]


def test_the_sequence_of_the_readme_runs(visit: MakeVisit, tmp_path: Path) -> None:
    """The README's sequence, dropped into any folder, runs beside the shipped ones, and the unit ships."""
    folder = tmp_path / "my_checks"
    folder.mkdir()
    (folder / "test_mine.py").write_text(_readme_sequence(), encoding="utf-8")
    done = visit("shipped", str(folder))
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


BROKEN = """
import pytest

pytestmark = pytest.mark.stage("power-on")


def test_breaks(live_unit):
    raise KeyError("oops")


def test_later(ready_unit):
    assert ready_unit.self_test() == 0
"""


def test_an_error_in_a_sequence_is_nobodys_fault(visit: MakeVisit, tmp_path: Path) -> None:
    """It is reported with file, line and source line; its check is not performed, and the later ones are."""
    broken = tmp_path / "test_broken.py"
    broken.write_text(BROKEN, encoding="utf-8")
    done = visit(str(broken))
    assert (done.code, done.disposition) == (3, "incomplete"), done.out
    breaks, later = done.unit["checks"][:2]
    reported = "error in the sequence: KeyError: 'oops' at test_broken.py:8: raise KeyError(\"oops\")"
    assert (breaks["verdict"], breaks["why"]) == ("not performed", reported)
    assert later["verdict"] == "passed", later
    assert reported in " ".join(done.out.split())
    assert "correct the sequence" in done.out


def test_an_error_in_a_sequence_closes_nothing_of_another_unit(visit: MakeVisit, tmp_path: Path) -> None:
    """On a stand with two slots the other unit is tested as if nothing had been."""
    broken = tmp_path / "test_broken.py"
    broken.write_text(
        BROKEN.replace("def test_breaks(live_unit)", "@pytest.mark.gate\ndef test_breaks(live_unit, slot)")
    )
    only_a = "    assert slot\n    if slot == 'A':\n        raise"
    text = broken.read_text(encoding="utf-8").replace("    raise", only_a)
    broken.write_text(text, encoding="utf-8")
    done = visit(str(broken), stand=STANDS / "duo-bench.yaml", serial="A=RH-1,B=RH-2")
    first, second = (
        json.loads((done.folder / slot / "summary.json").read_text(encoding="utf-8"))["units"][0]
        for slot in "AB"
    )
    assert {check["verdict"] for check in first["checks"]} == {"not performed"}
    assert [c["verdict"] for c in second["checks"] if "test_" in c["id"]] == ["passed", "passed"]


def test_own_files_run_by_their_number(visit: MakeVisit, tmp_path: Path) -> None:
    """Across folders; a file without a number comes after all that have one."""
    folder = tmp_path / "my_checks"
    folder.mkdir()
    for name in ("test_mine", "test_12_between", "test_1_first"):
        (folder / f"{name}.py").write_text("def test_it(ready_unit):\n    pass\n", encoding="utf-8")
    few = [str(ROOT / "sequences" / name) for name in ("test_10_power_on.py", "test_20_identity.py")]
    done = visit(str(folder), *few)
    ran = [check["id"].partition("::")[0] for check in done.unit["checks"] if "::" in check["id"]]
    order = [
        "test_1_first.py",
        "test_10_power_on.py",
        "test_12_between.py",
        "test_20_identity.py",
        "test_mine.py",
    ]
    assert list(dict.fromkeys(ran)) == order


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


def test_shipped_stands_for_the_sequences_of_hilseq(tmp_path: Path) -> None:
    """Beside own ones in their order, and where none is named."""
    own, mine = str(resources.folder("sequences")), str(tmp_path)
    assert resources.sequences(["shipped", mine]) == [own, mine]
    assert resources.sequences([f"{mine}::test_one"]) == [f"{mine}::test_one"]
    assert resources.sequences([]) == [own]


def test_what_fails_while_an_interrupt_ends_a_check_is_not_the_units(
    visit: MakeVisit, tmp_path: Path
) -> None:
    """The clean-up meets a unit that no longer answers, as it may: the run is interrupted, and says no more."""
    own = tmp_path / "test_own.py"
    own.write_text(
        """
import signal
from hilseq import UnitFault

def test_is_ended_from_outside(ready_unit):
    try:
        signal.raise_signal(signal.SIGINT)
    finally:
        raise UnitFault("it does not answer", place="q05")

def test_comes_next(ready_unit):
    assert ready_unit.supply.is_on
""",
        encoding="utf-8",
    )
    done = visit(str(own))
    assert (done.code, done.disposition, done.places) == (3, "incomplete", set()), done.out
    assert set(done.verdicts().values()) == {"not performed"}
