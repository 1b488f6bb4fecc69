"""Writing a journal: what happened is on the disk before `write` returns, and before anything is done about it.

What only tells of a check under way, its readings and tables, is in the file at once, where it survives the end
of this process; a power cut may take it until the next entry of another kind, and the check with it.
"""

from __future__ import annotations

import contextlib
import errno
import os
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

from hilseq.clock import Clock
from hilseq.errors import UsageError
from hilseq.interrupts import held_back
from hilseq.journal.chain import GENESIS, BrokenLine, seal, unseal
from hilseq.journal.entries import CheckPlanned, Reading, TableKept
from hilseq.journal.fields import Entry

if sys.platform != "win32":
    import fcntl

FILE_NAME = "journal.jsonl"
#: What the next entry of another kind makes durable with itself.
NOT_AT_ONCE_DURABLE = (CheckPlanned, Reading, TableKept)
_BOOT = Path("/proc/sys/kernel/random/boot_id")
_E = TypeVar("_E", bound=Entry)


def boot_id() -> str:
    """Return which start of which computer this is, by the random name that its kernel took; empty where it took none.

    What a kernel says about locks holds for nobody else. Better than the computer's name, which two benches on one
    shared folder may have in common.
    """
    try:
        return _BOOT.read_text("ascii").strip()
    except (OSError, ValueError):
        return ""


def _make_name_durable(folder: Path) -> None:
    """Put the folder on the disk too, without which a new file is not safe; not every file system can."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _write_whole(handle: int, line: bytes) -> None:
    written = os.write(handle, line)
    if written != len(line):
        raise OSError(errno.ENOSPC, f"only {written} of {len(line)} bytes of a journal line were written")


class JournalWriter:
    """Appends entries to `FOLDER/journal.jsonl`.

    An entry's `t` is the time of the run's clock in seconds, its `at` the same instant as a date.
    Raises UsageError when the folder already holds a journal, OSError when the disk refuses.

    With `resume` an existing journal is continued instead: `cut` is the length of the torn tail that was cut
    off first. Raises UsageError when it was changed, or is still being written.
    """

    def __init__(self, folder: Path, file_name: str = FILE_NAME, *, resume: bool = False) -> None:
        self.path = folder / file_name
        self.clock: Clock | None = None
        self.cut = 0
        #: Chain value of the first line, by which the run is known; empty before there is one.
        self.first = ""
        if resume:
            self._continue()
            return
        folder.mkdir(parents=True, exist_ok=True)
        try:
            self._handle = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND, 0o644)
        except FileExistsError:
            raise UsageError(
                f"{self.path} already exists; a journal is never written over: give another --out"
            ) from None
        self._lock()
        _make_name_durable(folder)
        self._number = 0
        self._length = 0
        self._chain = GENESIS

    def _lock(self) -> None:
        """Keep others from writing too. A lock dies with its process, so that no dead run keeps one."""
        if sys.platform == "win32":
            return
        try:
            fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(self._handle)
            raise UsageError(
                f"{self.path} is still being written: the run is running; see it with hilseq watch"
            ) from None

    def _continue(self) -> None:
        try:
            self._handle = os.open(self.path, os.O_RDWR | os.O_APPEND)
        except FileNotFoundError:
            raise UsageError(f"{self.path} does not exist: there is nothing to continue") from None
        except OSError as error:  # another user's, or on a disk that is read only
            words = f"{self.path} cannot be written ({error.strerror}): a run is continued by who has made it"
            raise UsageError(words) from None
        self._lock()
        self._number, self._length, self._chain = 0, 0, GENESIS
        with self.path.open("rb") as lines:
            for line in lines:
                if not line.endswith(b"\n"):
                    self.cut = len(line)
                    break
                try:
                    _, self._chain = unseal(line, self._number, self._chain)
                except BrokenLine as error:
                    os.close(self._handle)
                    raise UsageError(f"{self.path}: {error}; a changed journal is not continued") from error
                self.first = self.first or self._chain
                self._number += 1
                self._length += len(line)
        if self.cut:
            os.ftruncate(self._handle, self._length)

    def write(self, entry: _E) -> _E:
        """Append one entry and return it as it was written, with `at` and `t`.

        Unless it only prepares or belongs to a check under way, it is durable by then. Raises OSError.
        """
        stamped = entry.model_copy(
            update={
                "at": (self.clock.moment() if self.clock else datetime.now(UTC)).isoformat(
                    timespec="milliseconds"
                ),
                "t": round(self.clock.now(), 6) if self.clock else 0.0,
            }
        )
        # An interrupt between the line and its number would give the next line the same one: the chain would break.
        with held_back(again=True):
            line, chain = seal(self._number, stamped.model_dump(), self._chain)
            self._append(line, durable=not isinstance(entry, NOT_AT_ONCE_DURABLE))
            self._number += 1
            self._chain = chain
            self.first = self.first or chain
        return stamped

    def _append(self, line: bytes, *, durable: bool) -> None:
        """Add the line whole, and durable, or leave the file as it was. Raises OSError."""
        if os.fstat(self._handle).st_nlink == 0:
            raise FileNotFoundError(errno.ENOENT, "the journal was deleted under the run", str(self.path))
        try:
            _write_whole(self._handle, line)
            if durable:
                os.fdatasync(self._handle)
        except OSError:
            # Half a line in the middle would hide everything written after it.
            with contextlib.suppress(OSError):
                os.ftruncate(self._handle, self._length)
            raise
        self._length += len(line)

    def sync(self) -> None:
        """Make everything so far durable. Raises OSError."""
        os.fdatasync(self._handle)

    @property
    def lines(self) -> int:
        """How many lines there are."""
        return self._number

    def where_now(self) -> Path:
        """Return where the journal is now: its folder may have been renamed while it is written."""
        ours = os.fstat(self._handle)
        for path in (self.path, Path(f"/proc/self/fd/{self._handle}")):
            with contextlib.suppress(OSError):
                found = path.resolve(strict=True) if path is not self.path else path
                there = found.stat()
                if (there.st_dev, there.st_ino) == (ours.st_dev, ours.st_ino):
                    return found
        return self.path

    @property
    def chain(self) -> str:
        """Chain value of the last line: the fingerprint of everything so far."""
        return self._chain

    def close(self) -> None:
        """Close the file; nothing is lost by not doing so."""
        os.close(self._handle)
