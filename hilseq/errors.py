"""Every error hilseq raises on purpose, as one family.

The first fork answers the first question of whoever reads the message: whose fault is it?

    HilseqError
    ├── UnitFault            the unit under test (also an AssertionError: the check failed)
    │   ├── UnitSilent       its link or port did not answer in time
    │   ├── UnitInvalidResponse      an answer that cannot be understood
    │   └── UnitRefused      an answer that reports an error (Modbus exception: number and text)
    ├── StandFault           the stand: nothing is said against the unit
    │   ├── InstrumentTimeout     no answer before the deadline, or the connection is gone
    │   ├── InvalidResponse    an answer that cannot be understood
    │   ├── InstrumentError      the instrument reported an error of its own (number and text)
    │   ├── InstrumentReset      it was without mains for a moment, or has switched itself off
    │   ├── WrongInstrument      it answers, but it is not what the stand file expects
    │   ├── NotSafe              the safe state could not be verified
    │   └── Interlock            an interlock is open or a ceiling was passed
    ├── NotPerformed         a check cannot be done here (nothing to measure with, say)
    │   ├── NoOperator           somebody would have to do something at the stand
    │   ├── NotResolvable        this stand cannot tell: a reading is too near a limit, say
    │   │   └── NoGoldenVisit    no visit of a known good unit shows the harness right
    │   ├── LinkLost             the link stays away while the unit looks well: which of both it is, is not known
    │   └── UnitOrHarness        a finding that the unit and its harness explain alike: a known good unit decides
    ├── DescriptionError     a stand file or profile is wrong (holds every problem found)
    ├── StandInUse           somebody else uses the stand, or it is kept off: nothing was touched
    └── UsageError           the command line asks for something impossible
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path


class HilseqError(Exception):
    """Root of the family: catch this at the command line and nowhere else."""

    def __reduce__(self) -> tuple[object, ...]:
        """Return how it is made again in another process: as it is, whatever its constructor expects."""
        return _made_again, (type(self), self.args, self.__dict__)


def _made_again(kind: type[HilseqError], args: tuple[object, ...], state: dict[str, object]) -> HilseqError:
    error = kind.__new__(kind, *args)
    error.__dict__.update(state)
    return error


class UnitFault(HilseqError, AssertionError):
    """The unit under test is at fault.

    `places` name where, in the words of the profile (`q05`, `port 2`, `mode held`, `supply`);
    without them the check's own place is used.
    """

    def __init__(self, message: str, *, place: str | None = None, places: Sequence[str] = ()) -> None:
        super().__init__(message)
        self.places: tuple[str, ...] = (place,) if place is not None else tuple(places)


class UnitSilent(UnitFault):
    """The unit's link or port did not answer before its deadline."""


class UnitInvalidResponse(UnitFault):
    """The unit's link or port answered with something that cannot be understood."""


class UnitRefused(UnitFault):
    """The unit's link answered with an error of its own: `number` is the Modbus exception code, `text` its words."""

    def __init__(self, message: str, *, number: int, text: str, place: str | None = None) -> None:
        super().__init__(message, place=place)
        self.number = number
        self.text = text

    @property
    def is_lack(self) -> bool:
        """Whether it says that there is no such function, address or value (Modbus V1.1b3, 7)."""
        return self.number in (1, 2, 3)


class StandFault(HilseqError):
    """The stand is at fault: nothing may be concluded about the unit.

    `place` names the part of the stand in the words of the stand file (`supply main`, `io rack`), `places`
    several where it cannot be known which of them it is.
    """

    def __init__(self, message: str, *, place: str | None = None, places: Sequence[str] = ()) -> None:
        super().__init__(message)
        self.places: tuple[str, ...] = (place,) if place is not None else tuple(places)


class InstrumentTimeout(StandFault):
    """No answer before the deadline, connection refused, closed or lost."""


class InvalidResponse(StandFault):
    """An answer came that is no answer to the question."""


class InstrumentError(StandFault):
    """The instrument reported an error of its own.

    `number` is its error number (SCPI error/event queue, or the Modbus exception code), `text` its own words.
    """

    def __init__(self, message: str, *, number: int, text: str, place: str | None = None) -> None:
        super().__init__(message, place=place)
        self.number = number
        self.text = text


class InstrumentReset(StandFault):
    """The instrument has forgotten what it was set to: it was without mains for a moment."""


class WrongInstrument(StandFault):
    """The instrument answers, but it is not the one the stand file expects."""


class NotSafe(StandFault):
    """The safe state was commanded but could not be verified by reading back."""


class Interlock(StandFault):
    """An interlock is open, or a safety ceiling of the stand was passed."""


class NotPerformed(HilseqError):
    """A check that cannot be done on this visit; the reason is its message."""


class NoOperator(NotPerformed):
    """Somebody at the stand would have to do something, and nobody is there."""


class NotResolvable(NotPerformed):
    """This stand cannot tell, as where a reading lies so near a limit that its side is open: the unit is not blamed.

    `places` name where, as of UnitFault.
    """

    def __init__(self, message: str, *, places: Sequence[str] = ()) -> None:
        super().__init__(message)
        self.places: tuple[str, ...] = tuple(places)


class NoGoldenVisit(NotResolvable):
    """No visit of a known good unit shows that the harness is right."""


class LinkLost(NotPerformed):
    """The unit's link, or the path to it, is lost while the unit looks well: not distinguished, so nobody is blamed."""

    def __init__(self, message: str, *, place: str) -> None:
        super().__init__(message)
        self.places: tuple[str, ...] = (place,)


class UnitOrHarness(NotPerformed):
    """A finding that a fault of the unit and one of the stand explain alike: nobody is blamed.

    `places` name where, as of UnitFault.
    """

    def __init__(self, message: str, *, places: Sequence[str] = ()) -> None:
        super().__init__(message)
        self.places: tuple[str, ...] = tuple(places)


class StandInUse(HilseqError):
    """Somebody else uses the stand, or a person has made it safe and not yet released it; nothing was touched."""


class UsageError(HilseqError):
    """The command line asks for something impossible; nothing was powered."""


#: A package that is not always installed -> the extra that brings it.
EXTRAS = {
    "alembic": "records",
    "dask": "cluster",
    "distributed": "cluster",
    "psycopg": "records",
    "segno": "certificate",
    "sqlalchemy": "records",
    "starlette": "serve",
    "typst": "certificate",
    "uvicorn": "serve",
}


def not_installed(module: str) -> UsageError:
    """Return the error for a module that is missing: its package, and how it is had, of `EXTRAS` by its extra."""
    package = module.partition(".")[0]
    wanted = f"'hilseq[{EXTRAS[package]}]'" if package in EXTRAS else package
    return UsageError(f"this needs {package}: python -m pip install {wanted}")


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """One fault of a description file.

    `line` and `column` count from 1; both are 0 when the fault concerns the file as a whole.
    `nearest` is the nearest right word, or empty.
    """

    path: Path
    line: int
    column: int
    wrong: str
    expected: str = ""
    nearest: str = ""

    def __str__(self) -> str:
        """Return `file:line:column: what is wrong; what was expected; nearest word`."""
        where = f"{self.path}:{self.line}:{self.column}" if self.line else f"{self.path}"
        parts = [self.wrong]
        if self.expected:
            parts.append(f"expected {self.expected}")
        if self.nearest:
            parts.append(f"did you mean {self.nearest!r}?")
        return f"{where}: " + "; ".join(parts)


class DescriptionError(HilseqError):
    """A stand file or profile is wrong. `problems` holds every fault found, in file order."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(sorted(set(problems)))
        super().__init__("\n".join(str(problem) for problem in self.problems))


@contextmanager
def gathered(problems: list[Problem]) -> Iterator[None]:
    """Add the problems of a DescriptionError that is raised inside to a list, so that all are reported at once."""
    try:
        yield
    except DescriptionError as error:
        problems += error.problems


def in_words(error: object) -> str:
    """Return what an error, or a text, says: as it is where it is one of ours, with its kind where it is not."""
    return str(error) if isinstance(error, HilseqError | str) else f"{type(error).__name__}: {error}"


@contextmanager
def fenced(what_failed: str) -> Iterator[None]:
    """Let nothing that goes wrong inside reach a visit: it is reported in a line on stderr, and the verdict stands.

    For what others read of a run: records, signatures, JUnit XML, Allure results, formats of extensions.
    """
    try:
        yield
    except Exception as error:  # noqa: BLE001 - of any kind, from any library
        print(f"hilseq: {what_failed}: {in_words(error)}", file=sys.stderr)  # noqa: T201 - the run has no other place for it
