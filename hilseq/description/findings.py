"""What a check finds: where in a document, what is wrong, what was expected, and the word that was probably meant.

Checks are pure functions from models to findings; only here do findings get lines and columns. A document is kept
value by value, each with the place where it is written: pure data, which the reader of YAML makes.
"""

from __future__ import annotations

import datetime as dt
import difflib
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import islice
from pathlib import Path
from typing import Any, NamedTuple

from hilseq.errors import Problem

Key = str | int
#: Keys and list positions from the root of a document down to one value.
Place = tuple[Key, ...]
Scalar = str | int | float | bool | dt.date | None


class Mark(NamedTuple):
    """A place in a text file; both count from 1, the column in characters."""

    line: int
    column: int


@dataclass(frozen=True, slots=True)
class SourcePosition:
    """One value as written: a scalar, a mapping of keys to values, or a list of values.

    `text` is the scalar as it stands in the file, and `quoted` tells whether it stood in quotes.
    `key` is the place of the key in front of the value, if there is one.
    """

    content: Scalar | dict[Key, SourcePosition] | list[SourcePosition]
    mark: Mark
    key: Mark | None = None
    text: str = ""
    quoted: bool = field(default=False, kw_only=True)

    def plain(self) -> Any:
        """Return the value as ordinary Python data."""
        if isinstance(self.content, dict):
            return {key: value.plain() for key, value in self.content.items()}
        if isinstance(self.content, list):
            return [value.plain() for value in self.content]
        return self.content

    def child(self, key: Key) -> SourcePosition | None:
        """Return the value under a key or at a list position, or None."""
        if isinstance(self.content, dict):
            return self.content.get(key)
        if isinstance(self.content, list) and isinstance(key, int) and 0 <= key < len(self.content):
            return self.content[key]
        return None

    def at(self, place: Place) -> SourcePosition:
        """Return the value at a place, or the deepest one that exists on the way there."""
        found = self
        for key in place:
            below = found.child(key)
            if below is None:
                break
            found = below
        return found

    def holds(self, place: Place) -> bool:
        """Return whether something is written at a place."""
        found: SourcePosition | None = self
        for key in place:
            found = None if found is None else found.child(key)
        return found is not None

    @property
    def start(self) -> Mark:
        """Where the key stands when there is one, else the value."""
        return self.key or self.mark

    @property
    def pointer(self) -> Mark:
        """Where a message points: a mapping is found by its key, anything else by itself."""
        return self.start if isinstance(self.content, dict) else self.mark

    def items(self) -> Iterator[tuple[Key, SourcePosition]]:
        """Yield the keys and values of a mapping; nothing for anything else."""
        if isinstance(self.content, dict):
            yield from self.content.items()


class Finding(NamedTuple):
    """One fault that only shows when two places of the descriptions are compared.

    `absent` is the place whose absence is the fault: should it stand in the file after all (but be
    faulty itself), the finding is only a consequence and is not reported. `at_key` points at the key
    instead of the value. `topic` joins the findings that one range causes many times over. `seen` is a
    place in the other file, the profile, that the finding goes back to. `decimal` findings hold only of
    numbers written in decimal digits. A `warning` is no fault of a file, but of what it will come to.
    """

    place: Place
    wrong: str
    expected: str = ""
    nearest: str = ""
    absent: Place | None = None
    at_key: bool = False
    topic: str = ""
    seen: Place | None = None
    decimal: bool = False
    warning: bool = False


Findings = Iterator[Finding]


def collect(*checks: Callable[[], Iterable[Finding]]) -> list[Finding]:
    """Run checks; one that misses a field which could not be read says nothing further."""
    found: list[Finding] = []
    for check in checks:
        try:
            found.extend(check())
        except AttributeError as missing:
            if not _of_description(missing):
                raise
    return found


def _of_description(missing: AttributeError) -> bool:
    """Return whether an unset field of a partly read description was asked for (not a slip of ours)."""
    fields = getattr(type(missing.obj), "model_fields", {})
    return missing.name in fields


def problems_of(
    findings: Iterable[Finding], document: SourcePosition, path: Path, *, partial: bool
) -> list[Problem]:
    """Return findings as problems of a file; those that repeat at one place for a range are joined."""
    first: dict[tuple[Mark, str], tuple[Finding, int]] = {}
    for finding in findings:
        if partial and finding.absent is not None and document.holds(finding.absent):
            continue
        written = document.at(finding.place)
        if finding.decimal and written.text.lower().startswith("0x"):
            continue
        whole = document.holds(finding.place)
        mark = written.start if finding.at_key or not whole else written.pointer
        same = (mark, finding.topic or finding.wrong)
        if same in first:
            first[same] = (first[same][0], first[same][1] + 1)
        else:
            first[same] = (finding, 0)
    result = []
    for (mark, _), (finding, more) in first.items():
        wrong = finding.wrong + (f" (and {more} more like it)" if more else "")
        result.append(Problem(path, *mark, wrong, finding.expected, finding.nearest))
    return result


#: difflib compares with every word; more than this many would take longer than a person waits.
_MOST = 2000


#: From this likeness on, of 1, a word was probably meant; from the others on it is a slip of the pen, and surely one
#: where words of one's own are usual.
LIKE, SLIP, SURE_SLIP = 0.6, 0.8, 0.9


#: What is written elsewhere -> the words of stand files and profiles for it.
_HABITS: dict[str, tuple[str, ...]] = {
    "run": ("live",), "running": ("live",), "program": ("stopped",), "hold": ("held",),
    "ok": ("healthy",), "green": ("healthy",), "fault": ("faulted",), "error": ("faulted",), "red": ("faulted",),
    "host": ("address",), "ip": ("address",), "ip-address": ("address",), "url": ("address", "resource"),
    "unit-id": ("device-id",), "slave": ("device-id",), "slave-id": ("device-id",), "station": ("device-id",),
    "node": ("device-id",), "node-id": ("device-id",), "server-id": ("device-id",),
    "baud": ("speed", "line", "speeds"), "baudrate": ("speed", "line", "speeds"), "parity": ("frame", "line"),
    "baud-rate": ("speed", "line", "speeds"), "bitrate": ("speed", "line", "speeds"), "stop-bits": ("frame", "line"),
    "com-port": ("port", "resource"), "serial-port": ("port", "resource"), "visa": ("resource",),
    "fc": ("table",), "function": ("table",), "function-code": ("table",), "register-type": ("table",),
    "register": ("address",), "factor": ("scale",), "gain": ("scale",), "multiplier": ("scale",),
    "uom": ("unit",), "units": ("unit",), "datatype": ("type",), "data-type": ("type",), "dtype": ("type",),
    "endian": ("order",), "endianness": ("order",), "byte-order": ("order",), "word-order": ("order",),
    "timeout": ("deadline",), "ovp": ("overvoltage",), "tolerance": ("accuracy",), "uncertainty": ("accuracy",),
    "limits": ("ceilings",), "max": ("ceilings",), "reads": ("senses",), "writes-to": ("drives",),
    "holding": ("holding register",), "input": ("input register",), "discrete": ("discrete input",),
    "big": ("high first",), "big-endian": ("high first",), "abcd": ("high first",), "msw": ("high first",),
    "little": ("low first",), "little-endian": ("low first",), "cdab": ("low first",), "lsw": ("low first",),
    "bool": ("bit",), "word": ("uint16",), "uint": ("uint16",), "int": ("int16",), "short": ("int16",),
    "dword": ("uint32",), "long": ("int32",), "float": ("float32",), "real": ("float32",),
    "loopback": ("echo",), "loop-back": ("echo",), "reboot": ("restart",), "go on": ("continue",),
    "ignore": ("continue",), "abort": ("stop",), "shut": ("closed",), "none": ("empty",),
}  # fmt: skip


def nearest_word(word: object, words: Iterable[object], likeness: float = LIKE) -> str:
    """Return the word that was probably meant, or an empty text."""
    known = tuple(str(candidate) for candidate in islice(words, _MOST))
    for habit in _HABITS.get(str(word)[:100].lower().replace("_", "-"), ()):
        if habit in known and habit != word:
            return habit
    alike = [name for name in known if _without_zeros(name) == _without_zeros(str(word)[:100]) != ""]
    if len(alike) == 1 and alike[0] != word:  # q1 for q01
        return alike[0]
    meant = _closest(str(word)[:100], known, likeness)
    return meant if meant != word else ""


def _without_zeros(name: str) -> str:
    """Return a name with its last number without leading zeros; empty for one that ends in none."""
    prefix = name.rstrip("0123456789")
    return f"{prefix.lower()}{int(name[len(prefix) :])}" if prefix != name else ""


def must_be_known(kind: str, names: Iterable[str], known: Collection[str]) -> None:
    """Raise LookupError, with the nearest right name, unless all names are known."""
    for name in names:
        if name not in known:
            near = nearest_word(name, known)
            hint = f"did you mean {near!r}?" if near else f"expected one of {listed(known) or 'none'}"
            raise LookupError(f"there is no {kind} {name!r}; {hint}")


@lru_cache(maxsize=16)
def _closest(word: str, words: tuple[str, ...], likeness: float) -> str:
    """Return the word most like another; a file that is wrong a thousand times is often so in one way."""
    known = {candidate.lower(): candidate for candidate in words}
    close = difflib.get_close_matches(word.lower().replace("_", "-"), known, n=1, cutoff=likeness)
    return known[close[0]] if close else ""


def listed(names: Iterable[str]) -> str:
    """Return names as a person lists them: `q01 to q04, q07`."""
    runs: list[tuple[str, str]] = []
    for name in names:
        if runs and _follows(runs[-1][1], name):
            runs[-1] = (runs[-1][0], name)
        else:
            runs.append((name, name))
    return ", ".join(first if first == last else f"{first} to {last}" for first, last in runs)


def _follows(name: str, following: str) -> bool:
    prefix = name.rstrip("0123456789")
    digits = name[len(prefix) :]
    return bool(digits) and following == f"{prefix}{int(digits) + 1:0{len(digits)}d}"
