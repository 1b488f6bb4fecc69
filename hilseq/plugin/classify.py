"""From an exception to a verdict, by whose fault it was."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from hilseq.errors import NotPerformed, StandFault, UnitFault
from hilseq.verdicts import CheckVerdict

WHY_LONGEST = 2000
#: The place of what broke in a sequence itself.
SEQUENCE = "sequence"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one phase of a check came to; `places` is empty when the exception names none."""

    verdict: CheckVerdict
    why: str = ""
    places: tuple[str, ...] = ()


PASSED = Outcome(CheckVerdict.PASSED)

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
            return Outcome(CheckVerdict.NOT_PERFORMED, _first_words(error))
        case KeyboardInterrupt() | pytest.exit.Exception():
            return Outcome(CheckVerdict.NOT_PERFORMED, "the run was interrupted during this check")
        case _:
            words = f"the sequence itself broke: {type(error).__name__}: {_first_words(error)}"
            return Outcome(CheckVerdict.STAND_FAULT, words, (SEQUENCE,))
