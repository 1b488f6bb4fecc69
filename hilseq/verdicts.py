"""Verdicts as tables: of a check, of a unit, of a run, and the exit codes.

The words and codes are those of the design; code, reports and tests read these tables alike.
Imports nothing of ours.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import IntEnum, StrEnum


class CheckVerdict(StrEnum):
    """What one check says."""

    PASSED = "passed"
    FAILED = "failed"
    STAND_FAULT = "stand fault"
    NOT_PERFORMED = "not performed"


class Obstacle(StrEnum):
    """What kept a check from being performed, where that decides what is done next; a check's words say the rest."""

    UNIT_OR_HARNESS = "unit or harness"
    CANNOT_TELL = "the stand cannot tell"
    NO_GOLDEN_VISIT = "no visit of a known good unit"
    ERROR_IN_SEQUENCE = "error in the sequence"
    NO_OPERATOR = "no operator"
    NOT_SELECTED = "not selected"


class Disposition(StrEnum):
    """What is done with one unit."""

    SHIP = "ship"
    REPAIR = "repair"
    INCOMPLETE = "incomplete"
    STAND_FAULT = "stand fault"


class ExitCode(IntEnum):
    """Exit codes of `hilseq run`, and of pytest when a stand is given."""

    SHIP = 0
    REPAIR = 1
    USAGE = 2
    INCOMPLETE = 3
    STAND_FAULT = 4
    #: Somebody else uses the stand, or it is kept off: try again later (EX_TEMPFAIL of sysexits.h).
    IN_USE = 75


EXIT_CODES = {
    Disposition.SHIP: ExitCode.SHIP,
    Disposition.REPAIR: ExitCode.REPAIR,
    Disposition.INCOMPLETE: ExitCode.INCOMPLETE,
    Disposition.STAND_FAULT: ExitCode.STAND_FAULT,
}

#: Worst first: with several units the worst code is returned.
WORST_FIRST = (ExitCode.STAND_FAULT, ExitCode.REPAIR, ExitCode.INCOMPLETE, ExitCode.SHIP)


def dispose(verdicts: Iterable[CheckVerdict]) -> Disposition:
    """Return the disposition of a unit from the verdicts of its checks.

    A stand fault outweighs a failed check: what a faulty stand says about a unit is no evidence.
    No check at all is incomplete: nothing was shown.
    """
    seen = set(verdicts)
    if CheckVerdict.STAND_FAULT in seen:
        return Disposition.STAND_FAULT
    if CheckVerdict.FAILED in seen:
        return Disposition.REPAIR
    if CheckVerdict.NOT_PERFORMED in seen or not seen:
        return Disposition.INCOMPLETE
    return Disposition.SHIP


def exit_code(dispositions: Iterable[Disposition]) -> ExitCode:
    """Return the worst exit code of several units; INCOMPLETE when there are none."""
    codes = {EXIT_CODES[disposition] for disposition in dispositions} or {ExitCode.INCOMPLETE}
    return next(code for code in WORST_FIRST if code in codes)
