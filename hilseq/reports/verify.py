"""Three answers about a file and its journal: is it intact, who has signed it, does a witness agree.

Intact: the chain holds, the samples are those that were sealed, and what the journal says fits itself. Somebody who
writes all of a journal anew can still make one that is intact: the stand's signature tells that, to whoever knows its
public key, and so do records that have seen the journal before.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from functools import partial
from pathlib import Path
from typing import Any, Literal, TypeAlias

from hilseq.errors import UsageError
from hilseq.journal.contradictions import FilesCompared, contradictions
from hilseq.journal.entries import PriorRun
from hilseq.journal.reader import Journal, read_journal, run_state
from hilseq.journal.run_state import RunState, UnitState
from hilseq.journal.seals import left_limits, look_for_damage
from hilseq.journal.signatures import Trust, TrustAnswer, against
from hilseq.open_files import open_plain
from hilseq.reports.formatting import short_code
from hilseq.reports.page import render
from hilseq.reports.sanitize import sanitize
from hilseq.reports.soak import soak_of
from hilseq.reports.write import summary_bytes
from hilseq.verdicts import Disposition

#: Larger files are none of ours.
_LARGEST = 200_000_000
_CHAIN = re.compile(
    rb'(?:hilseq-journal-chain(?::|" content=")|"journal_chain": ")([0-9a-f]{64})(?![0-9a-f])'
)
_MAKER = re.compile(
    rb'(?:name="generator" content="|Author\(|[0-9a-f]{64} )(hilseq [^")\n<]{1,80}?)(?:"|\)| -->)'
)
_TEMPLATE = re.compile(rb"hilseq-template:([0-9a-f]{64})(?![0-9a-f])")
_EARLIER = re.compile(rb'<script type="application/json" id="earlier-runs">([^<]*)</script>')


class VerifyOutcome(IntEnum):
    """What was found out; the numbers are the exit codes of `hilseq verify`."""

    MATCHES = 0
    DOES_NOT_MATCH = 1
    CANNOT_TELL = 2


#: What a witness knows: it is given the journal and its run.
Witness: TypeAlias = Callable[[Journal, RunState], TrustAnswer]
#: Holds a journal against its own stand file, profiles and sequences.
Restated: TypeAlias = Callable[[RunState], FilesCompared]
NOBODY_SIGNED = TrustAnswer(Trust.NONE, "unsigned: there is no signature beside the journal")
NO_WITNESS = TrustAnswer(Trust.NONE, "no records were asked")
NOT_ASKED = TrustAnswer(Trust.NONE, "not looked at, where the journal itself cannot be read to its end")


@dataclass(frozen=True, slots=True)
class Verification:
    """The outcome in words; `where` names line or byte, or is empty. `intact` is empty for an intact journal."""

    outcome: VerifyOutcome
    reported: str
    kind: str = ""
    where: str = ""
    chain: str = ""
    intact: str = ""
    signed: TrustAnswer = NOBODY_SIGNED
    witnessed: TrustAnswer = NO_WITNESS
    #: Why an intact journal could not be held against its own files, or an empty text.
    unread: str = ""

    def lines(self) -> list[str]:
        """Return the outcome and the three answers, a line each."""
        intact = "yes: chain, samples, files, readings and verdicts fit"
        if self.unread:
            intact = f"as far as can be told: chain, samples, readings and verdicts fit, and {self.unread}"
        if self.intact:
            intact = f"no: {self.intact}"
        answers = (
            ("intact", intact),
            ("signed", self.signed.reported),
            ("witnessed", self.witnessed.reported),
        )
        return [self.reported, *(f"  {name + ':':11} {words}" for name, words in answers)]


@dataclass(frozen=True, slots=True)
class _Candidate:
    """One file that the journal can make."""

    kind: str
    make: Callable[[], bytes]


def _page(content: bytes, run: RunState, unit: UnitState, folder: Path) -> bytes:
    return render(run, unit, soak=soak_of(folder, run, unit), earlier=_earlier(content)).encode("utf-8")


def _earlier(content: bytes) -> list[PriorRun]:
    """Return the list of earlier runs that a page carries; the journal does not prove it."""
    found = _EARLIER.search(content)
    try:
        rows = json.loads(found[1]) if found else []
        return [PriorRun(**row) for row in rows]
    except (ValueError, TypeError, KeyError, RecursionError):
        return []


def _papers(
    run: RunState, folder: Path, form: Literal["pdf", "svg"], template: bytes | None
) -> Iterator[_Candidate]:
    from hilseq.reports.certificate import certificate, label, paper_of

    for unit in run.units:
        if form == "pdf":
            make = partial(certificate, run, unit, soak_of(folder, run, unit), template)
            kind = paper_of(run.final(unit))[1].replace("-", " ")
            yield _Candidate(f"{kind} of {unit.serial}", make)
        yield _Candidate(f"label of {unit.serial}", partial(label, run, unit, form))
        if run.final(unit) is Disposition.SHIP and not unit.unapproved:
            make = partial(label, run, unit, form, customer=True)
            yield _Candidate(f"customer's label of {unit.serial}", make)


def _candidates(content: bytes, run: RunState, folder: Path, template: bytes | None) -> list[_Candidate]:
    """Return what the file can be, from its first bytes; nothing when it is none of ours."""
    start = content[:1000].lstrip()
    if start.startswith(b"%PDF-"):
        return list(_papers(run, folder, "pdf", template))
    if start.startswith(b"<svg"):
        return list(_papers(run, folder, "svg", template))
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


def _unreadable(journal: Journal, reported: str) -> Verification:
    found = _not_intact(journal, reported, where=journal.broken)
    return replace(found, signed=NOT_ASKED, witnessed=NOT_ASKED)


def _not_intact(journal: Journal, reported: str, kind: str = "journal", where: str = "") -> Verification:
    return Verification(VerifyOutcome.DOES_NOT_MATCH, reported, kind, where, journal.chain, intact=reported)


def _sound(journal: Journal, run: RunState, restated: Restated) -> str | Verification:
    """Return what is wrong with a journal, or with the samples that it has sealed.

    Of one that is intact, return why it could not be held against its own files, or an empty text.
    """
    damage = [unit.damage for unit in run.units if unit.damage]
    if damage:
        reported = (
            f"the evidence is not whole: {'; '.join(damage)}. The journal itself is sound, but what it states about "
            "the soak can no longer be checked against the samples; find the untouched file, then verify again"
        )
        return _not_intact(journal, reported, "samples", ", ".join(one.split()[0] for one in damage))
    compared = restated(run)
    if reported := contradicted(journal, run, compared.wrong):
        return _not_intact(journal, reported)
    if run.torn or run.end is None:
        left = f"up to its torn last line of {run.torn} bytes" if run.torn else "as far as it goes"
        why = "its end was cut off, or the run was killed, or still runs"
        return _not_intact(journal, f"not whole: the journal is sound {left}, but it has no end: {why}")
    return compared.unread


def contradicted(journal: Journal, run: RunState, wrong: Sequence[str]) -> str:
    """Return in words that a journal contradicts itself or its samples, or an empty text.

    `wrong` says where it contradicts its own files. Raises UsageError.
    """
    found = [
        *contradictions(journal.entries, run),
        *wrong,
        *left_limits(run, journal.path.parent),
    ]
    if not found:
        return ""
    more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
    reported = f"the journal contradicts itself, so that no run has written it as it is: {found[0]}{more}"
    return sanitize(reported, 600)


def _signed(journal: Journal, run: RunState, known: Mapping[str, str]) -> TrustAnswer:
    """Return who has signed a journal, of the public keys that are known by a name."""
    signatures = run.signatures
    why = against(signatures, journal.links, run.run, run.stand)
    if {one.slot for one in signatures.summaries} - {unit.slot for unit in run.units}:
        why = why or "a signed summary is of a slot that the run does not have"
    if {one.text.rpartition("|")[2] for one in signatures.summaries} - set(journal.links):
        why = why or "a signed summary beside the journal is that of another journal"
    if why:
        return TrustAnswer(Trust.CONTRADICTS, why)
    if not signatures.heads:
        return NOBODY_SIGNED
    last = signatures.heads[-1]
    if not last.final or last.lines != len(journal.links):
        reported = f"up to its last line {last.lines}, and not as the end of the run"
        if last.lines != len(journal.links):
            lines = f"line {last.lines} of {len(journal.links)}"
            reported = f"up to {lines} only: it continued, or was continued by another"
        return TrustAnswer(Trust.CONTRADICTS if last.final else Trust.NONE, reported)
    if len({head.key for head in signatures.heads} | {one.key for one in signatures.summaries}) > 1:
        return TrustAnswer(Trust.CONTRADICTS, "by more than one key, but a run has one")
    name = known.get(last.key)
    if name is None:
        reported = f"by a key that is not known here, which calls itself stand {run.stand}: {last.key}"
        return TrustAnswer(Trust.UNKNOWN, sanitize(reported, 300))
    return TrustAnswer(Trust.KNOWN, sanitize(f"by the known stand {name} ({last.key})", 300))


def _unlike(content: bytes, nearest: bytes, kind: str, run: RunState) -> Verification:
    """Return why a file is not the one its journal makes."""
    carried = {found.decode() for found in _CHAIN.findall(content)}
    if not carried:
        reported = "this journal does not make this file, which carries no verification code of any run"
        return Verification(VerifyOutcome.DOES_NOT_MATCH, reported, "", "", run.chain)
    if run.chain not in carried:
        code = short_code(min(carried))
        reported = (
            f"the file belongs to another journal, or the journal was rewritten or continued: the file "
            f"carries {code}, this journal ends in {short_code(run.chain)}"
        )
        return Verification(VerifyOutcome.DOES_NOT_MATCH, reported, kind, "verification code", run.chain)
    theirs, ours = _MAKER.search(content), _MAKER.search(nearest)
    if theirs and ours and theirs[1] != ours[1]:
        maker = sanitize(theirs[1].decode("latin-1"), 80)
        reported = (
            f"the code fits, but the file says it was made by {maker}, and this is "
            f"{ours[1].decode('latin-1')}, which sets its pages differently: verify with that version"
        )
        return Verification(VerifyOutcome.CANNOT_TELL, reported, kind, "", run.chain)
    where = _difference(content, nearest)
    return Verification(
        VerifyOutcome.DOES_NOT_MATCH,
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


def verify(
    file: Path,
    run_folder: Path,
    *,
    known: Mapping[str, str] | None = None,
    witness: Witness | None = None,
    template: bytes | None = None,
    restated: Restated = lambda _: FilesCompared([]),
) -> Verification:
    """Return whether `file` is what the journal in `run_folder` makes, and what stands behind that journal.

    `file` may be a report, certificate, label, summary, or the journal itself; `known` names public keys of stands;
    `template` is the shop's own for certificates, and `restated` tells where the journal differs from its own files.
    Where a sample file is not the one that the journal has sealed, nothing made of the two is confirmed. Raises
    UsageError when one of them cannot be read, or when what is needed to make the file again is not installed.
    """
    journal = read_journal(run_folder)
    content = _content(file)
    if journal.broken:
        reported = (
            f"the journal was changed or is damaged: {journal.broken}; trust only what comes before that"
        )
        return _unreadable(journal, reported)
    try:
        run = look_for_damage(run_state(journal), journal.path.parent)
    except ValueError as error:
        return _unreadable(journal, str(error))
    signed = _signed(journal, run, known or {})
    witnessed = NO_WITNESS if witness is None else witness(journal, run)
    unread = _sound(journal, run, restated)
    if isinstance(unread, Verification):
        return replace(unread, signed=signed, witnessed=witnessed)
    contradicted = [one.reported for one in (signed, witnessed) if one.answer is Trust.CONTRADICTS]
    if contradicted:
        reported = (
            f"the journal is intact in itself, and is not the one that was signed or seen: {contradicted[0]}"
        )
        found = Verification(VerifyOutcome.DOES_NOT_MATCH, reported, "journal", "", run.chain)
    elif file.resolve() == journal.path.resolve():
        found = _journal_itself(run)
    else:
        found = _compared(file, content, journal, run, template)
    if found.outcome is VerifyOutcome.MATCHES:
        found = _weighed(found, run, signed, witnessed, unread)
    return replace(found, signed=signed, witnessed=witnessed, unread=unread)


def _weighed(
    found: Verification, run: RunState, signed: TrustAnswer, witnessed: TrustAnswer, unread: str
) -> Verification:
    """Return a match with what it is worth where nobody stands behind the journal, or its files cannot be read."""
    if unread and not all(unit.unapproved for unit in run.units):
        reported = f"{found.reported}; but {unread}: verify with the hilseq that made it, {run.hilseq}"
        return replace(found, outcome=VerifyOutcome.CANNOT_TELL, reported=sanitize(reported, 600))
    if signed.answer is Trust.KNOWN:
        return found
    who = "nobody has signed it" if signed.answer is Trust.NONE else "who has signed it is not known here"
    if signed.answer is Trust.NONE and run.signatures.heads:
        who += " to its end"
    seen = ""
    if witnessed.answer is Trust.AGREE:
        seen = " before the records saw it, and nobody since"
    return replace(found, reported=f"{found.reported}; {who}, so that anybody can have written it{seen}")


def _compared(
    file: Path, content: bytes, journal: Journal, run: RunState, template: bytes | None
) -> Verification:
    wanted, given = _TEMPLATE.search(content), template and hashlib.sha256(template).hexdigest()
    if wanted and wanted[1].decode() != given:
        reported = "the certificate was set with a template of the shop's own, and another one was given here"
        if template is None:
            reported = "the certificate was set with a template of the shop's own: give it with --template"
        return Verification(VerifyOutcome.CANNOT_TELL, reported, "certificate", "", run.chain)
    candidates = _candidates(content, run, journal.path.parent, template if wanted else None)
    if not candidates:
        raise UsageError(f"{file} is no report, certificate, label or summary of hilseq")
    if content.lstrip().startswith((b"%PDF-", b"<svg")) and (why := _unfinished(run)):
        return Verification(VerifyOutcome.DOES_NOT_MATCH, why, candidates[0].kind, "", run.chain)
    made: dict[str, bytes] = {}
    for candidate in candidates:
        try:
            made[candidate.kind] = candidate.make()
        except UsageError as error:
            reported = f"this journal makes no such file: {error}"
            return Verification(VerifyOutcome.DOES_NOT_MATCH, reported, candidate.kind, "", run.chain)
        if made[candidate.kind] == content:
            reported = (
                f"{file.name} matches this journal: it is the {sanitize(candidate.kind, 120)} that it makes"
            )
            if b'"earlier-runs">[]<' not in content and candidate.kind.startswith("report"):
                reported += " (its list of earlier runs comes from the records and is not covered)"
            return Verification(VerifyOutcome.MATCHES, reported, candidate.kind, "", run.chain)
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
    reported = "the journal is sound from its first line to its last; compare its code with the certificate's"
    return Verification(
        VerifyOutcome.MATCHES, f"{reported} ({short_code(run.chain)})", "journal", "", run.chain
    )


def _content(file: Path) -> bytes:
    try:
        with open_plain(file) as opened:
            content = opened.read(_LARGEST + 1)
    except OSError as error:
        raise UsageError(f"{file} cannot be read: {error.strerror or error}") from None
    if len(content) > _LARGEST:
        raise UsageError(f"{file} is larger than anything hilseq makes")
    return content


def as_json(result: Verification) -> dict[str, Any]:
    """Return the result for programs."""
    return {
        "matches": result.outcome is VerifyOutcome.MATCHES,
        "outcome": result.outcome.name.lower().replace("_", " "),
        "kind": result.kind,
        "reported": result.reported,
        "where": result.where,
        "chain": result.chain,
        "code": short_code(result.chain),
        "intact": {"answer": not result.intact, "reported": result.intact},
        "signed": {"answer": str(result.signed.answer), "reported": result.signed.reported},
        "witnessed": {"answer": str(result.witnessed.answer), "reported": result.witnessed.reported},
    }
