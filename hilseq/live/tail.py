"""What was added to a file since the last look: whole journal lines, whole samples.

Every look opens the file anew, for reading, and closes it: nothing is held while a run writes, renames or
deletes. A line or a sample that is not whole yet is left for the next look.
"""

from __future__ import annotations

import json
import os
import zlib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hilseq.journal.chain import GENESIS, BrokenLine, unseal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

#: Bytes taken in one look; the rest of a long file comes with the next.
MOST_BYTES = 64 << 20
_LONGEST_HEAD = 1 << 16


class Replaced(Exception):  # noqa: N818 - it says what happened to the file
    """The file is another one than at the last look, or was cut: everything has to be read again."""


class _Tail:
    """Reads a file from where the last look ended."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._offset = 0
        self._inode: int | None = None

    def _added(self) -> bytes:
        """Return what lies behind the last look; empty when the file is gone. Raises Replaced."""
        try:
            with self.path.open("rb") as file:
                status = os.fstat(file.fileno())
                if self._inode not in (None, status.st_ino) or status.st_size < self._offset:
                    raise Replaced(str(self.path))
                self._inode = status.st_ino
                file.seek(self._offset)
                return file.read(MOST_BYTES)
        except OSError:
            return b""


class JournalTail(_Tail):
    """The entries of a journal so far.

    `broken` tells why nothing more is read, `torn` counts the bytes of a line that is not whole.
    """

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.entries: list[dict[str, Any]] = []
        self.chain = GENESIS
        #: Chain value of the first line: what tells this journal from every other.
        self.key = ""
        self.broken = ""
        self.torn = 0

    def look(self) -> list[dict[str, Any]]:
        """Return the entries added since the last look. Raises Replaced."""
        if self.broken:
            return []
        data = self._added()
        whole, newline, rest = data.rpartition(b"\n")
        self.torn = len(rest)
        before = len(self.entries)
        for line in (whole + newline).splitlines(keepends=True) if newline else ():
            try:
                entry, self.chain = unseal(line, len(self.entries), self.chain)
            except BrokenLine as error:
                self.broken = str(error)
                break
            self.entries.append(entry)
            self.key = self.key or self.chain
            self._offset += len(line)
        return self.entries[before:]


class SampleTail(_Tail):
    """The samples of a soak. `damaged` tells that what follows the last whole sample is none.

    The layout of the file is that of `hilseq.journal.samples`.
    """

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.columns: tuple[str, ...] = ()
        self.damaged = False

    def look(self) -> tuple[NDArray[np.float64], NDArray[np.float32]]:
        """Return times and values (one row a sample) added since the last look. Raises Replaced."""
        import numpy as np

        data = self._added()
        begin = 0 if self.columns else self._head(data)
        width = len(self.columns)
        kind = np.dtype([("t", "<f8"), ("v", "<f4", (width,)), ("crc", "<u4")])
        count = (len(data) - begin) // kind.itemsize if self.columns else 0
        table = np.frombuffer(data, kind, count, begin)
        view, sums = memoryview(data), table["crc"]
        sound = count
        for number in range(count):
            first = begin + number * kind.itemsize
            if zlib.crc32(view[first : first + kind.itemsize - 4]) != sums[number]:
                sound = number
                break
        self.damaged = sound < count
        self._offset += begin + sound * kind.itemsize
        return table["t"][:sound].astype(np.float64), table["v"][:sound].astype(np.float32)

    def _head(self, data: bytes) -> int:
        """Take the columns from the first line and return its length; 0 while it is not whole."""
        line, newline, _ = data[:_LONGEST_HEAD].partition(b"\n")
        if not newline:
            self.damaged = len(line) == _LONGEST_HEAD
            return 0
        try:
            self.columns = tuple(str(name) for name in json.loads(line)["columns"])
        except (ValueError, KeyError, TypeError, RecursionError):
            self.damaged = True
            return 0
        return len(line) + 1
