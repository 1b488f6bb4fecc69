"""Reading a journal, whole or as it grows, also one whose writer was killed in the middle of a line.

Every look opens the file anew, for reading, and closes it: nothing is held while a run writes, renames or deletes.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from hilseq.errors import UsageError
from hilseq.journal.chain import GENESIS, BrokenLine, unseal
from hilseq.journal.entries import JournalEntry, NotAnEntry, RunStarted, entry_from
from hilseq.journal.fields import Entry
from hilseq.journal.run_state import RunState, fold
from hilseq.journal.upcasts import upcast
from hilseq.journal.writer import FILE_NAME
from hilseq.open_files import open_plain

_E = TypeVar("_E", bound=Entry)

#: Bytes taken in one look; the rest of a long file comes with the next.
MOST_BYTES = 64 << 20
#: What a run leaves beside its journal, and never before the first line of it.
_LEFT = (
    *("summary.json", "report-*.html", "label-*", "samples-*.bin"),
    *("certificate-*.pdf", "repair-slip-*.pdf", "test-result-*.pdf"),
)
_MOST_NAMES = 3


class Replaced(Exception):  # noqa: N818 - it says what happened to the file
    """The file is another one than at the last look, or was cut: everything has to be read again."""


class FileTail:
    """What was added to a file since the last look."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._offset = 0
        self._inode: int | None = None

    def _added(self) -> bytes:
        """Return what lies behind the last look; empty when the file is gone. Raises Replaced."""
        try:
            with open_plain(self.path) as file:
                status = os.fstat(file.fileno())
                if self._inode not in (None, status.st_ino) or status.st_size < self._offset:
                    raise Replaced(str(self.path))
                self._inode = status.st_ino
                file.seek(self._offset)
                return file.read(MOST_BYTES)
        except OSError:
            return b""


class JournalTail(FileTail):
    """The entries of a journal so far; a line that is not whole yet is left for the next look.

    `broken` tells why nothing more is read: a line was changed after it was written. `foreign` tells that a line is
    as it was written, and no run of this version or an earlier one writes it: entries end before it, and only the
    chain is followed. `torn` counts the bytes of a line that is not whole.
    """

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.entries: list[JournalEntry] = []
        self.links: list[str] = []
        self.broken = ""
        self.foreign = ""
        self.torn = 0

    @property
    def chain(self) -> str:
        """Chain value of the last line."""
        return self.links[-1] if self.links else GENESIS

    def look(self) -> list[JournalEntry]:
        """Return the entries added since the last look. Raises Replaced."""
        if self.broken:
            return []
        data = self._added()
        whole, newline, rest = data.rpartition(b"\n")
        self.torn = len(rest)
        before = len(self.entries)
        for line in (whole + newline).splitlines(keepends=True) if newline else ():
            try:
                plain, chain = unseal(line, len(self.links), self.chain)
            except BrokenLine as error:
                self.broken = str(error)
                break
            self.links.append(chain)
            self._offset += len(line)
            if not self.foreign:
                self._understand(plain)
        return self.entries[before:]

    def _understand(self, plain: dict[str, Any]) -> None:
        try:
            self.entries.append(entry_from(upcast(plain)))
        except NotAnEntry as error:
            self.foreign = f"line {len(self.links)} holds {error}"


@dataclass(frozen=True, slots=True)
class Journal:
    """The entries of one run, and the chain value of each line.

    `torn` counts the bytes of an unfinished last line (the writer was killed); `broken` tells what is wrong when
    the journal was changed afterwards, `foreign` that a line is none that a run writes; both are empty for a sound
    one, and entries end before that line.
    """

    path: Path
    entries: tuple[JournalEntry, ...]
    links: tuple[str, ...] = ()
    torn: int = 0
    broken: str = ""
    foreign: str = ""

    @property
    def chain(self) -> str:
        """Chain value of the last line."""
        return self.links[-1] if self.links else GENESIS

    def of(self, kind: type[_E]) -> list[_E]:
        """Entries of one kind, in order: `journal.of(SoakGap)`."""
        return [entry for entry in self.entries if isinstance(entry, kind)]


def find_journal(run: Path) -> Path:
    """Return the journal of a run given as its folder or as the file. Raises UsageError."""
    path = run / FILE_NAME if run.is_dir() else run
    if not path.is_file():
        raise UsageError(f"{run} holds no {FILE_NAME}; give the folder that `hilseq run` named at its end")
    return path


def read_journal(run: Path) -> Journal:
    """Read a whole journal. Raises UsageError when there is none."""
    tail = JournalTail(find_journal(run))
    while tail.look():
        pass
    return Journal(tail.path, tuple(tail.entries), tuple(tail.links), tail.torn, tail.broken, tail.foreign)


def run_state(journal: Journal) -> RunState:
    """Return the state of the run that a journal tells, without a look at its sample files.

    Raises ValueError when the journal does not tell a run.
    """
    if journal.foreign:
        raise ValueError(_foreign(journal.path, journal.foreign))
    try:
        state = fold(journal.entries)
    except ValueError as error:
        if not journal.entries and (gone := lost(journal)):
            raise ValueError(f"{journal.path.parent}: {gone}") from None
        if not journal.entries or not isinstance(journal.entries[0], RunStarted):
            why = journal.broken or "its state is unknown"
            raise ValueError(f"{journal.path} does not begin with a run; {why}") from None
        raise ValueError(_foreign(journal.path, str(error))) from error
    state.chain, state.torn, state.broken = journal.chain, journal.torn, journal.broken
    return state


# -- a journal that has lost its lines ---------------------------------------------------------------------


def left_by_a_run(folder: Path) -> list[str]:
    """Return the names of the files of a folder that only a run with a journal leaves, in order."""
    return sorted({file.name for pattern in _LEFT for file in folder.glob(pattern) if file.is_file()})


def lost(journal: Journal) -> str:
    """Return how a journal has lost all its lines, in words that name no folder, and what is left of its run.

    A power cut may leave a file so: empty, or full of NUL bytes. What was made of it before still lies beside it
    and looks as good as ever; nothing proves it any more. Empty when the journal holds a line, when one is
    wrong (`Journal.broken` says so), and when it may have just begun.
    """
    if journal.entries or journal.broken or journal.foreign:
        return ""
    left = left_by_a_run(journal.path.parent)
    if _holds_nul(journal.path):
        words = (
            f"{journal.path.name} holds NUL bytes where its first line was: its disk or file system lost it"
        )
    elif left and journal.torn:
        words = f"{journal.path.name} was cut within its first line"
    elif left:
        words = f"{journal.path.name} is empty, and was not: it was overwritten, or a power cut took it"
    else:
        return ""
    if left:
        more = f" and {len(left) - _MOST_NAMES} more" if len(left) > _MOST_NAMES else ""
        words += f"; {', '.join(left[:_MOST_NAMES])}{more} beside it can no longer be verified"
    return f"{words}. Bring back a copy of the journal, or test the unit again"


def _holds_nul(path: Path) -> bool:
    """Return whether a file without a newline holds a NUL byte, which no writer puts there."""
    with open_plain(path) as file:
        while block := file.read(1 << 20):
            if b"\0" in block:
                return True
    return False


def _foreign(path: Path, why: str) -> str:
    return f"{path}: {why}; it was not made by hilseq, or by a newer version than this one"
