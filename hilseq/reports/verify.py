"""Tell whether a file is the one its journal makes, and whether journal and samples are what the run wrote.

A journal proves that nothing inside it was changed, but somebody who rewrites all of it can make a new
sound one. Therefore the file carries the journal's last chain value: file and journal hold each other.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from enum import IntEnum
from functools import partial
from pathlib import Path
from typing import Any, Literal

from hilseq.errors import UsageError
from hilseq.journal.entries import PriorRun
from hilseq.journal.reader import Journal, read_journal, run_state
from hilseq.journal.run_state import RunState, UnitState
from hilseq.journal.seals import look_for_damage
from hilseq.reports.formatting import short_code
from hilseq.reports.page import render
from hilseq.reports.sanitize import sanitize
from hilseq.reports.soak import soak_of
from hilseq.reports.write import summary_bytes

#: Larger files are none of ours.
_LARGEST = 200_000_000
_CHAIN = re.compile(
    rb'(?:hilseq-journal-chain(?::|" content=")|"journal_chain": ")([0-9a-f]{64})(?![0-9a-f])'
)
_MAKER = re.compile(
    rb'(?:name="generator" content="|Author\(|[0-9a-f]{64} )(hilseq [^")\n<]{1,80}?)(?:"|\)| -->)'
)
_EARLIER = re.compile(rb'<script type="application/json" id="earlier-runs">([^<]*)</script>')


class VerifyOutcome(IntEnum):
    """What was found out; the numbers are the exit codes of `hilseq verify`."""

    GENUINE = 0
    NOT_GENUINE = 1
    CANNOT_TELL = 2


@dataclass(frozen=True, slots=True)
class Verification:
    """The outcome in words; `where` names line or byte, or is empty."""

    outcome: VerifyOutcome
    told: str
    kind: str = ""
    where: str = ""
    chain: str = ""


@dataclass(frozen=True, slots=True)
class _Candidate:
    """One file that the journal can make."""

    kind: str
    make: Callable[[], bytes]


def _page(content: bytes, run: RunState, unit: UnitState, folder: Path) -> bytes:
    return render(run, unit, soak=soak_of(folder, run, unit), earlier=_earlier(content)).encode("utf-8")


def _earlier(content: bytes) -> list[PriorRun]:
    """Return the list of earlier runs that a page carries; the journal cannot vouch for it."""
    found = _EARLIER.search(content)
    try:
        rows = json.loads(found[1]) if found else []
        return [PriorRun(**row) for row in rows]
    except (ValueError, TypeError, KeyError, RecursionError):
        return []


def _papers(run: RunState, form: Literal["pdf", "svg"]) -> Iterator[_Candidate]:
    from hilseq.reports.certificate import certificate, label

    for unit in run.units:
        if form == "pdf":
            yield _Candidate(f"certificate of {unit.serial}", partial(certificate, run, unit))
        yield _Candidate(f"label of {unit.serial}", partial(label, run, unit, form))


def _candidates(content: bytes, run: RunState, folder: Path) -> list[_Candidate]:
    """Return what the file can be, from its first bytes; nothing when it is none of ours."""
    start = content[:1000].lstrip()
    if start.startswith(b"%PDF-"):
        return list(_papers(run, "pdf"))
    if start.startswith(b"<svg"):
        return list(_papers(run, "svg"))
    if start[:15].lower() == b"<!doctype html>":
        return [
            _Candidate(f"report of {unit.serial}", partial(_page, content, run, unit, folder))
            for unit in run.units
        ]
    if start.startswith(b"{"):
        return [_Candidate("summary", partial(summary_bytes, run))]
    return []


def _difference(found: bytes, expected: bytes) -> str:
    """Return where two contents part: the line for text, the byte for the rest."""
    at = next((n for n, (a, b) in enumerate(zip(found, expected, strict=False)) if a != b), None)
    if at is None:
        at = min(len(found), len(expected))
    if found.startswith(b"%PDF-"):
        return f"byte {at + 1}"
    line = found.count(b"\n", 0, at) + 1
    begin = found.rfind(b"\n", 0, at) + 1
    start = max(at - 20, begin)
    shown = found[start : at + 40].split(b"\n")[0].decode("utf-8", "replace")
    truth = expected[start : at + 40].split(b"\n")[0].decode("utf-8", "replace")
    return f"line {line}, column {at - begin + 1}: {sanitize(shown, 80)!r} instead of {sanitize(truth, 80)!r}"


def _sound(journal: Journal) -> RunState | Verification:
    """Return the run that a journal tells, or what is wrong with the journal or the samples that it has sealed."""
    if journal.broken:
        told = f"the journal was changed or is damaged: {journal.broken}; believe only what stands before"
        return Verification(VerifyOutcome.NOT_GENUINE, told, "journal", journal.broken, journal.chain)
    try:
        run = look_for_damage(run_state(journal), journal.path.parent)
    except ValueError as error:
        return Verification(VerifyOutcome.NOT_GENUINE, str(error), "journal", "", journal.chain)
    damage = [unit.damage for unit in run.units if unit.damage]
    if not damage:
        return run
    told = (
        f"the evidence is not whole: {'; '.join(damage)}. The journal itself is sound, but what it tells of the "
        "soak can no longer be seen in the samples; find the untouched file, then verify again"
    )
    where = ", ".join(one.split()[0] for one in damage)
    return Verification(VerifyOutcome.NOT_GENUINE, told, "samples", where, run.chain)


def _unlike(content: bytes, nearest: bytes, kind: str, run: RunState) -> Verification:
    """Return why a file is not the one its journal makes."""
    carried = {found.decode() for found in _CHAIN.findall(content)}
    if not carried:
        told = "this journal does not make this file, which carries no verification code of any run"
        return Verification(VerifyOutcome.NOT_GENUINE, told, "", "", run.chain)
    if run.chain not in carried:
        code = short_code(min(carried))
        told = (
            f"the file belongs to another journal, or the journal was rewritten or continued: the file "
            f"carries {code}, this journal ends in {short_code(run.chain)}"
        )
        return Verification(VerifyOutcome.NOT_GENUINE, told, kind, "verification code", run.chain)
    theirs, ours = _MAKER.search(content), _MAKER.search(nearest)
    if theirs and ours and theirs[1] != ours[1]:
        maker = sanitize(theirs[1].decode("latin-1"), 80)
        told = (
            f"the code fits, but the file says it was made by {maker}, and this is "
            f"{ours[1].decode('latin-1')}, which sets its pages differently: verify with that version"
        )
        return Verification(VerifyOutcome.CANNOT_TELL, told, kind, "", run.chain)
    where = _difference(content, nearest)
    return Verification(
        VerifyOutcome.NOT_GENUINE,
        f"the file was changed after it was made, first at {where}",
        kind,
        where,
        run.chain,
    )


def _nearest(content: bytes, made: Mapping[str, bytes]) -> str:
    """Return the kind whose content agrees longest from the start."""

    def agreement(kind: str) -> int:
        pairs = zip(content, made[kind], strict=False)
        return next((number for number, (a, b) in enumerate(pairs) if a != b), len(made[kind]))

    return max(made, key=agreement)


def verify(file: Path, run_folder: Path) -> Verification:
    """Return whether `file` is what the journal in `run_folder` makes.

    `file` may be a report, certificate, label, summary, or the journal itself. Where a sample file is not the one
    that the journal has sealed, nothing made of the two is confirmed. Raises UsageError when one of
    them cannot be read, or when what is needed to make the file again is not installed.
    """
    journal = read_journal(run_folder)
    content = _content(file)
    run = _sound(journal)
    if isinstance(run, Verification):
        return run
    if file.resolve() == journal.path.resolve():
        return _journal_itself(run)
    candidates = _candidates(content, run, journal.path.parent)
    if not candidates:
        raise UsageError(f"{file} is no report, certificate, label or summary of hilseq")
    if content.lstrip().startswith((b"%PDF-", b"<svg")) and (why := _unfinished(run)):
        return Verification(VerifyOutcome.NOT_GENUINE, why, candidates[0].kind, "", run.chain)
    made: dict[str, bytes] = {}
    for candidate in candidates:
        made[candidate.kind] = candidate.make()
        if made[candidate.kind] == content:
            told = f"genuine: {file.name} is the {sanitize(candidate.kind, 120)} that this journal makes"
            if b'"earlier-runs">[]<' not in content and candidate.kind.startswith("report"):
                told += " (its list of earlier runs comes from the records and is not covered)"
            return Verification(VerifyOutcome.GENUINE, told, candidate.kind, "", run.chain)
    kind = _nearest(content, made)
    return _unlike(content, made[kind], kind, run)


def _unfinished(run: RunState) -> str:
    """Return why this journal makes no certificate and no label at all; empty when it does."""
    from hilseq.reports.certificate import refuse_unfinished

    try:
        refuse_unfinished(run)
    except UsageError as error:
        return f"this journal makes no such file: {error}"
    return ""


def _journal_itself(run: RunState) -> Verification:
    if run.torn:
        told = f"the journal is sound up to its torn last line of {run.torn} bytes: the run was killed"
    elif run.end is None:
        told = "the journal is sound as far as it goes, but it has no end: the run was killed, or still runs"
    else:
        told = "the journal is sound from its first line to its last; compare its code with the certificate's"
    return Verification(VerifyOutcome.GENUINE, f"{told} ({short_code(run.chain)})", "journal", "", run.chain)


def _content(file: Path) -> bytes:
    try:
        if file.stat().st_size > _LARGEST:
            raise UsageError(f"{file} is larger than anything hilseq makes")
        return file.read_bytes()
    except OSError as error:
        raise UsageError(f"{file} cannot be read: {error.strerror or error}") from None


def as_json(result: Verification) -> dict[str, Any]:
    """Return the result for programs."""
    return {
        "genuine": result.outcome is VerifyOutcome.GENUINE,
        "outcome": result.outcome.name.lower().replace("_", " "),
        "kind": result.kind,
        "told": result.told,
        "where": result.where,
        "chain": result.chain,
        "code": short_code(result.chain),
    }
