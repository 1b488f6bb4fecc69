"""Signatures of a run, in a file beside its journal: heads of the journal as it grew, and the result of each unit.

A signed head says: the journal of this run had so many lines, the last with this chain value. Whoever rewrites a line
before it, or cuts lines off, contradicts it, and cannot sign another one without the stand's key.
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import Any

from hilseq.open_files import open_plain
from hilseq.signing import StandKey, is_signed

FILE_NAME = "signatures.jsonl"
#: Longest file that is read, bytes: a head a minute for ten years is less.
_LARGEST = 1 << 30
_HEADER = "hilseq journal head 1"


@dataclass(frozen=True, slots=True)
class SignedHead:
    """That a journal had so many `lines`, the last with chain value `chain`; `final` when the run had ended."""

    stand: str
    run: str
    lines: int
    chain: str
    final: bool
    key: str
    signature: str = ""

    @property
    def text(self) -> bytes:
        """What is signed."""
        values = [_HEADER, self.stand, self.run, self.lines, self.chain, self.final]
        return json.dumps(values, ensure_ascii=True).encode("ascii")

    @property
    def holds(self) -> bool:
        """Whether the signature is that of the key."""
        return is_signed(self.text, self.signature, self.key)


@dataclass(frozen=True, slots=True)
class SignedSummary:
    """The result of the unit in a slot, in one line of text, as the code of its certificate carries it."""

    slot: str
    text: str
    key: str
    signature: str

    @property
    def holds(self) -> bool:
        """Whether the signature is that of the key."""
        return is_signed(self.text.encode(), self.signature, self.key)


@dataclass(frozen=True, slots=True)
class Signatures:
    """All signatures of a run, as they were added.

    `damaged` says that a line of the file is none, `torn` that its last one is not whole.
    """

    heads: tuple[SignedHead, ...] = ()
    summaries: tuple[SignedSummary, ...] = ()
    damaged: bool = False
    torn: bool = False

    def summary(self, slot: str) -> SignedSummary | None:
        """Return what was signed last of the unit in a slot."""
        return next((one for one in reversed(self.summaries) if one.slot == slot), None)


_KINDS: dict[str, type[SignedHead | SignedSummary]] = {"head": SignedHead, "summary": SignedSummary}


class Signer:
    """Adds the signatures of one run, in `folder`, of the stand named `stand`."""

    def __init__(self, folder: Path, stand: str, run: str, key: StandKey) -> None:
        #: Folder of the run, also where that is renamed.
        self.folder = folder
        self._stand, self._run, self._key = stand, run, key
        _cut_torn_line(folder / FILE_NAME)

    def head(self, lines: int, chain: str, *, final: bool) -> SignedHead:
        """Sign that the journal has so many lines, the last with this chain value; return that. Raises OSError."""
        head = SignedHead(self._stand, self._run, lines, chain, final, self._key.public)
        head = replace(head, signature=self._key.sign(head.text))
        self._add({"kind": "head", **asdict(head)})
        return head

    def summary(self, slot: str, text: str) -> None:
        """Sign the result of the unit in a slot. Raises OSError."""
        signature = self._key.sign(text.encode())
        self._add({"kind": "summary", **asdict(SignedSummary(slot, text, self._key.public, signature))})

    def _add(self, plain: dict[str, Any]) -> None:
        with (self.folder / FILE_NAME).open("ab") as file:
            file.write(_line(plain))
            file.flush()
            os.fdatasync(file.fileno())


def _cut_torn_line(path: Path) -> None:
    """Take off what a computer that stopped has left of a signature: the next one would be lost behind it."""
    with suppress(FileNotFoundError):
        with open_plain(path) as file:
            whole = file.read(_LARGEST).rfind(b"\n") + 1
        os.truncate(path, whole)


def _line(plain: dict[str, Any]) -> bytes:
    return json.dumps(plain, ensure_ascii=True, separators=(",", ":")).encode("ascii") + b"\n"


def read_signatures(folder: Path) -> Signatures:
    """Return the signatures of the run in a folder, whatever its file holds; none where there is none."""
    try:
        with open_plain(folder / FILE_NAME) as file:
            lines = file.read(_LARGEST).splitlines(keepends=True)
    except OSError:
        return Signatures()
    heads, summaries, damaged = list[SignedHead](), list[SignedSummary](), False
    for line in lines:
        try:
            plain = json.loads(line)
            damaged |= line != _line(plain)  # it means the same, and is not what a signer writes
            kind = plain.pop("kind")
            found = _KINDS[kind](**plain)
            _check(found)
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
            damaged = True
            continue
        if isinstance(found, SignedHead):
            heads.append(found)
        else:
            summaries.append(found)
    return Signatures(tuple(heads), tuple(summaries), damaged, bool(lines) and not lines[-1].endswith(b"\n"))


def _check(found: SignedHead | SignedSummary) -> None:
    """Raise TypeError unless every field is what it should be."""
    for name, value in asdict(found).items():
        expected = {"lines": int, "final": bool}.get(name, str)
        if type(value) is not expected:
            raise TypeError(name)


def against(signatures: Signatures, links: Sequence[str], run: str, stand: str) -> str:
    """Return how signed heads contradict a journal whose lines have the chain values `links`; empty when none does."""
    for head in signatures.heads:
        if not head.holds:
            return "a signature beside the journal is not that of its key: it was changed"
        if (head.run, head.stand) != (run, stand):
            return (
                f"the signatures beside the journal are those of the run {head.run} on the stand {head.stand}"
            )
        if head.lines > len(links):
            return f"the journal is cut off: the stand signed {head.lines} lines of it, and {len(links)} are here"
        if head.lines < 1 or links[head.lines - 1] != head.chain:
            return f"the journal was rewritten: its line {head.lines} is not the one that the stand signed"
    if any(not one.holds for one in signatures.summaries):
        return "a signed summary beside the journal is not what its key has signed: it was changed"
    how = "torn: the computer stopped while it signed, or it was cut off" if signatures.torn else "damaged"
    return f"a line of the signatures beside the journal is {how}" if signatures.damaged else ""


class Trust(StrEnum):
    """Who stands behind a journal: its signature, or the records as a witness."""

    KNOWN = "known"
    UNKNOWN = "unknown"
    AGREE = "agree"
    NONE = "none"
    CONTRADICTS = "contradicts"


@dataclass(frozen=True, slots=True)
class TrustAnswer:
    """One of the answers about a journal, in words."""

    answer: Trust
    reported: str
