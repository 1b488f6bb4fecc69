"""From an exception to a verdict: whose fault it was, in which words, at which places."""

from __future__ import annotations

from pathlib import Path

import pytest

from hilseq.errors import (
    LinkLost,
    NoGoldenVisit,
    NoOperator,
    NotPerformed,
    NotResolvable,
    StandFault,
    UnitFault,
    UnitOrHarness,
)
from hilseq.plugin.classify import PASSED, NothingJudged, Outcome, classify, worse
from hilseq.verdicts import CheckVerdict, Obstacle

FAILED, FAULT, UNDONE = CheckVerdict.FAILED, CheckVerdict.STAND_FAULT, CheckVerdict.NOT_PERFORMED
ENDS = {
    "of the unit": (UnitFault("q05 is dark", place="q05"), FAILED, ("q05",)),
    "an assertion": (AssertionError("the mode is held"), FAILED, ()),
    "of the stand": (StandFault("no answer", place="supply main"), FAULT, ("supply main",)),
    "of its link": (LinkLost("away", place="link"), UNDONE, ("link",)),
    "of the unit or its harness": (UnitOrHarness("either", places=("q05",)), UNDONE, ("q05",)),
    "not performed": (NotPerformed("nothing measures it"), UNDONE, ()),
    "nobody there": (NoOperator("turn it"), UNDONE, ()),
    "skipped": (pytest.skip.Exception("not here"), UNDONE, ()),
    "too near": (NotResolvable("135 mA", places=("supply",)), UNDONE, ("supply",)),
    "no golden visit": (NoGoldenVisit("test one"), UNDONE, ()),
    "interrupted": (KeyboardInterrupt(), UNDONE, ()),
    "ended": (pytest.exit.Exception("enough"), UNDONE, ()),
    "nothing judged": (NothingJudged("it judged nothing"), UNDONE, ()),
    "a slip": (ZeroDivisionError("division by zero"), UNDONE, ()),
}

OBSTACLES = {
    UnitOrHarness: Obstacle.UNIT_OR_HARNESS,
    NotResolvable: Obstacle.CANNOT_TELL,
    NoGoldenVisit: Obstacle.NO_GOLDEN_VISIT,
    NoOperator: Obstacle.NO_OPERATOR,
    NothingJudged: Obstacle.ERROR_IN_SEQUENCE,
    ZeroDivisionError: Obstacle.ERROR_IN_SEQUENCE,
}


@pytest.mark.parametrize(("error", "verdict", "places"), ENDS.values(), ids=ENDS.keys())
def test_whose_fault_an_exception_is(
    error: BaseException, verdict: CheckVerdict, places: tuple[str, ...]
) -> None:
    """A fault of the unit fails the check; whatever else went wrong is never held against the unit."""
    outcome = classify(error)
    assert outcome.verdict is verdict
    assert tuple(outcome.places) == places
    assert outcome.obstacle is OBSTACLES.get(type(error))
    assert outcome.why.startswith("unit or harness: ") is isinstance(error, UnitOrHarness)


def test_the_words_of_an_exception_are_one_line_of_bounded_length() -> None:
    """What pytest adds to an assertion is left out, and what an instrument babbles is cut at 2000 characters."""
    said = classify(AssertionError("the mode is\n held\nassert 3 == 2\n +  where 3 = f()")).why
    assert said == "the mode is held"
    assert classify(UnitFault("first\n\nsecond")).why == "first"
    assert classify(AssertionError("assert 1 == 2")).why == "assert 1 == 2"
    assert classify(AssertionError()).why == "the assertion is false"
    assert len(classify(StandFault("x" * 5000)).why) == 2000
    assert len(classify(ValueError("x" * 5000)).why) == 2000
    assert classify(KeyboardInterrupt()).why == "the run was interrupted during this check"
    assert classify(NothingJudged("it judged nothing")).why == "error in the sequence: it judged nothing"


def _raised(text: str, name: str) -> BaseException:
    try:
        exec(compile(text, name, "exec"), {})  # noqa: S102 - a sequence of somebody's
    except (ValueError, ZeroDivisionError) as error:
        return error
    raise AssertionError("nothing was raised")


def test_a_slip_in_a_sequence_is_named_with_file_and_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The innermost line that is the author's: not what it called in hilseq, nor what called it."""
    monkeypatch.chdir(tmp_path)
    mine = tmp_path / "test_mine.py"
    text = "from hilseq.analysis.limits import Limits\ndef limits():\n    return Limits(2.0, 1.0)\nlimits()\n"
    mine.write_text(text, encoding="utf-8")
    said = classify(_raised(text, str(mine))).why
    assert said.startswith("error in the sequence: ValueError: limits 2.0..1.0")
    assert said.endswith("at test_mine.py:3: return Limits(2.0, 1.0)")


def test_a_file_elsewhere_is_named_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A path that is not below the working directory is given as it is."""
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    monkeypatch.chdir(folder)
    mine = tmp_path / "test_mine.py"
    mine.write_text("1 / 0\n", encoding="utf-8")
    assert classify(_raised("1 / 0\n", str(mine))).why.endswith(f"at {mine}:1: 1 / 0")


def test_what_only_hilseq_does_names_the_innermost_line() -> None:
    """Where no line is the author's, the last one tells; an exception that nobody raised has none."""
    from hilseq.analysis.limits import Limits

    code = "from hilseq.analysis.limits import Limits; Limits(2.0, 1.0)"
    try:
        exec(compile(code, "<string>", "exec"), {})  # noqa: S102
    except ValueError as error:
        own = error.with_traceback(error.__traceback__ and error.__traceback__.tb_next)
        said = classify(own).why
    assert "limits.py:" in said
    assert Limits.__module__ == "hilseq.analysis.limits"
    assert classify(ValueError("bare")).why == "error in the sequence: ValueError: bare"


def test_the_worse_of_two_ends() -> None:
    """A stand fault outweighs a failed check, that one what was not performed; the earlier of two alike stays."""
    order = [Outcome(FAULT), Outcome(FAILED), Outcome(UNDONE), PASSED]
    for number, worst in enumerate(order):
        for other in order[number:]:
            assert worse(worst, other).verdict is worst.verdict
            assert worse(other, worst).verdict is worst.verdict
    first, second = Outcome(FAILED, "first"), Outcome(FAILED, "second")
    assert worse(first, second) is first
