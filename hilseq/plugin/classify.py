"""From an exception to a verdict, by whose fault it was."""

from __future__ import annotations

import traceback
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import _pytest
import pluggy
import pytest

import hilseq
from hilseq.errors import (
    NoGoldenVisit,
    NoOperator,
    NotPerformed,
    NotResolvable,
    StandFault,
    UnitFault,
    UnitOrHarness,
)
from hilseq.verdicts import CheckVerdict, Obstacle

WHY_LONGEST = 2000
#: The place of a profile that does not fit its unit.
PROFILE = "profile"
#: Where what calls a sequence, and what it calls, lies.
_NOT_OURS = tuple(
    str(Path(module.__file__ or "").resolve().parent) for module in (hilseq, pytest, pluggy, _pytest)
)


class NothingJudged(Exception):  # noqa: N818 - it says what is wrong with a sequence
    """A check that passed without a single statement about the unit."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one phase of a check came to; `places` is empty when the exception names none."""

    verdict: CheckVerdict
    why: str = ""
    places: tuple[str, ...] = ()
    obstacle: Obstacle | None = None


PASSED = Outcome(CheckVerdict.PASSED)


def not_performed(why: str, obstacle: Obstacle | None = None, places: tuple[str, ...] = ()) -> Outcome:
    """Return the outcome of a check that was not performed."""
    return Outcome(CheckVerdict.NOT_PERFORMED, why[:WHY_LONGEST], places, obstacle)


_OBSTACLES = {
    UnitOrHarness: Obstacle.UNIT_OR_HARNESS,
    NotResolvable: Obstacle.CANNOT_TELL,
    NoGoldenVisit: Obstacle.NO_GOLDEN_VISIT,
    NoOperator: Obstacle.NO_OPERATOR,
}

#: Worst first: a fault of the stand outweighs what it made us think of the unit.
_ORDER = (
    CheckVerdict.STAND_FAULT,
    CheckVerdict.FAILED,
    CheckVerdict.NOT_PERFORMED,
    CheckVerdict.PASSED,
)


def worse(first: Outcome, second: Outcome) -> Outcome:
    """Return the worse of two outcomes; the earlier one when they are equally bad."""
    return min(first, second, key=lambda outcome: _ORDER.index(outcome.verdict))


def _first_words(error: BaseException) -> str:
    words = str(error).strip().split("\n\n")[0].split("\nassert ")[0].strip()
    return " ".join(words.split())[:WHY_LONGEST]


def classify(error: BaseException) -> Outcome:
    """Return the outcome of a phase that ended with `error`."""
    match error:
        case UnitFault():
            return Outcome(CheckVerdict.FAILED, _first_words(error), error.places)
        case AssertionError():
            return Outcome(CheckVerdict.FAILED, _first_words(error) or "the assertion is false")
        case StandFault():
            return Outcome(CheckVerdict.STAND_FAULT, _first_words(error), error.places)
        case NotPerformed() | pytest.skip.Exception():
            known = (_OBSTACLES[kind] for kind in type(error).__mro__ if kind in _OBSTACLES)
            obstacle, words = next(known, None), _first_words(error)
            if obstacle is Obstacle.UNIT_OR_HARNESS:
                words = f"{obstacle}: repeat with a known good unit. {words}"
            return not_performed(words, obstacle, getattr(error, "places", ()))
        case KeyboardInterrupt() | pytest.exit.Exception():
            return not_performed("the run was interrupted during this check")
        case _:
            said = str(error) if isinstance(error, NothingJudged) else _raised(error)
            return not_performed(f"{Obstacle.ERROR_IN_SEQUENCE}: {said}", Obstacle.ERROR_IN_SEQUENCE)


def interrupt_behind(error: BaseException) -> KeyboardInterrupt | None:
    """Return the interrupt during which an error came up, as in a clean-up on the way out; None without one."""
    seen: BaseException | None = error
    while seen is not None and not isinstance(seen, KeyboardInterrupt):
        seen = seen.__context__
    return seen


def _raised(error: BaseException) -> str:
    return f"{type(error).__name__}: {_first_words(error)}{_line_of(error)}"


def _line_of(error: BaseException) -> str:
    """Return file, line and source line at which a sequence went wrong: the innermost that is not hilseq's own."""
    passed = list(traceback.extract_tb(error.__traceback__))
    # `<string>`: a dataclass.
    frames = [frame for frame in passed if not frame.filename.startswith("<")] or passed
    own = [frame for frame in frames if not frame.filename.startswith(_NOT_OURS)] or frames
    if not own:
        return ""
    path = Path(own[-1].filename)
    with suppress(ValueError):
        path = path.relative_to(Path.cwd())
    return f" at {path}:{own[-1].lineno}: {own[-1].line}"
