"""What a check finds: where in a document, what is wrong, what was expected.

Checks are pure functions from models to findings; only here do findings get lines and columns.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import NamedTuple

from hilseq.description.source_position import Mark, Place, SourcePosition
from hilseq.errors import Problem


class Finding(NamedTuple):
    """One fault that only shows when two places of the descriptions are held against each other.

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
    """Tell whether an unset field of a partly read description was asked for (not a slip of ours)."""
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
