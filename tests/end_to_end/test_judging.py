"""A check that judges no reading and executes no assertion is an error in the sequence."""

from __future__ import annotations

from pathlib import Path

from tests.end_to_end.conftest import MakeVisit

CHECKS = """
import pytest

from hilseq import Limits

@pytest.fixture
def judged(unit, supply, judge):
    judge("voltage", supply.voltage(), Limits(-1.0, 30.0))

def test_nothing(): pass
def test_a_ready_unit_alone(ready_unit): pass
def test_an_assertion_that_is_passed_by(unit):
    if not unit:
        assert unit
def test_asserts(unit): assert unit
def test_judges(unit, supply, judge): judge("voltage", supply.voltage(), Limits(-1.0, 30.0))
def test_moves(ready_unit): ready_unit.modes.move_to(ready_unit.profile.modes.at_start)
def test_has_it_judged(judged): pass
def test_cannot_judge(unit): unit.not_judged("battery age", "its date is not known")
"""


def test_a_check_must_say_something(visit: MakeVisit, tmp_path: Path) -> None:
    """Empty, on a unit that is only ready, or past its assertion: each is named by file and test; nothing ships."""
    sequence = tmp_path / "test_mine.py"
    sequence.write_text(CHECKS, encoding="utf-8")
    done = visit(str(sequence))
    assert done.code == 3, done.out[-3000:]
    verdicts = {name.partition("::test_")[2]: verdict for name, verdict in done.verdicts().items()}
    empty = {"nothing", "a_ready_unit_alone", "an_assertion_that_is_passed_by"}
    judged = {"asserts", "judges", "moves", "has_it_judged", "cannot_judge"}
    assert {name for name in verdicts if verdicts[name] == "passed"} == judged
    whys = {c["id"].partition("::test_")[2]: c["why"] for c in done.unit["checks"]}
    for name in empty:
        assert whys[name].startswith("error in the sequence: "), whys[name]
        assert f"test_mine.py::test_{name} judged no reading and executed no assertion" in whys[name]


def test_assertions_that_nobody_can_count_are_refused(visit: MakeVisit, tmp_path: Path) -> None:
    """Pytest is not to leave assertions as they are: whether one was executed could not be told."""
    sequence = tmp_path / "test_mine.py"
    sequence.write_text(CHECKS, encoding="utf-8")
    done = visit(str(sequence), "--", "--assert=plain")
    assert done.code == 2
    assert "--assert=plain" in done.err
