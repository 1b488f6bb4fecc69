"""The samples of a soak: one append-only file of checksummed records beside the journal.

The file begins with one JSON line (its columns); then come records of equal length: the time as a 64-bit
float, one 32-bit float per column, and the CRC-32 of both, all little-endian. A torn or damaged tail is cut
and reported. The journal seals the file at intervals with the SHA-256 of everything so far, so that a later
change is found.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import os
import struct
import time
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from hilseq.errors import UsageError
from hilseq.interrupts import held_back
from hilseq.journal.reader import FileTail
from hilseq.journal.soak_entries import PortTally, SamplesSealed
from hilseq.open_files import open_plain

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

#: The columns that samples have whatever the stand, where the unit has such a register.
VOLTAGE, CURRENT = "supply voltage", "supply current"
MODE, INDICATOR, FAULTS, STARTS = "unit mode", "unit indicator", "unit faults", "unit starts"
TEMPERATURE, PORT_ERRORS = "unit temperature", "unit port errors"
#: Samples are on the disk at the latest this long after they were taken, s of wall time.
SYNC_EVERY = 1.0
_CRC = struct.Struct("<I")
_LONGEST_HEAD = 1 << 16


def _record(columns: int) -> struct.Struct:
    return struct.Struct(f"<d{columns}f")


def file_name(slot: str) -> str:
    """Return the name of a slot's sample file."""
    return f"samples-{slot}.bin"


class SampleWriter:
    """Appends samples. `append` buffers, `sync` puts everything on the disk.

    With `resume`, an existing file is continued after its last whole record. Raises OSError when the disk
    refuses, UsageError when the columns of a resumed file differ.
    """

    def __init__(self, path: Path, columns: Sequence[str], *, resume: bool = False) -> None:
        self.path = path
        self.columns = tuple(columns)
        self._struct = _record(len(self.columns))
        self._hash = hashlib.sha256()
        self._pending = bytearray()
        self._synced_at = time.monotonic()
        self.count = 0
        self._length = 0
        if resume and path.exists():
            self._continue()
        else:
            self._handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND, 0o644)
            self._pending += json.dumps({"hilseq samples": 1, "columns": self.columns}).encode() + b"\n"
        self.sync()

    def _continue(self) -> None:
        samples = read_samples(self.path)
        if samples.columns != self.columns:
            raise UsageError(
                f"{self.path} holds other columns than this plan; the soak cannot be continued in it"
            )
        self._handle = os.open(self.path, os.O_RDWR | os.O_APPEND)
        os.ftruncate(self._handle, samples.whole_bytes)
        with self.path.open("rb") as whole:
            while block := whole.read(1 << 20):
                self._hash.update(block)
        self.count = len(samples.times)
        self._length = samples.whole_bytes

    def append(self, instant: float, values: Sequence[float]) -> None:
        """Take one sample; on the disk within SYNC_EVERY."""
        body = self._struct.pack(instant, *values)
        self._pending += body
        self._pending += _CRC.pack(zlib.crc32(body))
        self.count += 1
        if time.monotonic() - self._synced_at >= SYNC_EVERY:
            self.sync()

    def sync(self) -> None:
        """Put everything on the disk, and wait for it."""
        if self._pending:
            if os.fstat(self._handle).st_nlink == 0:
                raise FileNotFoundError(
                    errno.ENOENT, "the samples were deleted under the run", str(self.path)
                )
            block = bytes(self._pending)
            with held_back(again=True):  # or an interrupt would have it written twice
                self._append(block)
                self._hash.update(block)
                self._pending.clear()
        self._synced_at = time.monotonic()

    def _append(self, block: bytes) -> None:
        """Add the block whole and durable, or leave the file as it was. Raises OSError."""
        try:
            written = 0
            while written < len(block):
                written += os.write(self._handle, block[written:])
            os.fdatasync(self._handle)
        except OSError:
            with contextlib.suppress(OSError):
                os.ftruncate(self._handle, self._length)
            raise
        self._length += len(block)

    def seal(self, slot: str, ports: dict[str, PortTally]) -> SamplesSealed:
        """Put everything on the disk and return the entry that seals the file so far; `ports` is what they carried."""
        self.sync()
        digest = self._hash.hexdigest()
        return SamplesSealed(slot=slot, file=self.path.name, count=self.count, sha256=digest, ports=ports)

    def close(self) -> None:
        """Put everything on the disk and close the file."""
        self.sync()
        os.close(self._handle)


@dataclass(frozen=True, slots=True)
class Samples:
    """The whole samples of a file: `values[i, j]` is column j at `times[i]` (seconds of the run's clock).

    `whole_bytes` is the length of the sound part of the file, `cut_bytes` what follows it.
    """

    columns: tuple[str, ...]
    times: NDArray[np.float64]
    values: NDArray[np.float32]
    whole_bytes: int
    cut_bytes: int

    def column(self, name: str) -> NDArray[np.float32]:
        """Return one column."""
        return self.values[:, self.columns.index(name)]


class SampleTail(FileTail):
    """The samples of a soak as they come. `damaged` tells that what follows the last whole sample is none."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.columns: tuple[str, ...] = ()
        self.damaged = False

    @property
    def whole_bytes(self) -> int:
        """Length of what was read and is sound."""
        return self._offset

    def look(self) -> tuple[NDArray[np.float64], NDArray[np.float32]]:
        """Return times and values (one row a sample) added since the last look. Raises Replaced."""
        import numpy as np

        data = self._added()
        begin = 0 if self.columns else self._head(data)
        kind = np.dtype([("t", "<f8"), ("v", "<f4", (len(self.columns),)), ("crc", "<u4")])
        count = (len(data) - begin) // kind.itemsize if self.columns else 0
        table = np.frombuffer(data, kind, count, begin)
        view, sums = memoryview(data), table["crc"].tolist()
        body, sound = kind.itemsize - _CRC.size, count
        for number in range(count):
            first = begin + number * kind.itemsize
            if zlib.crc32(view[first : first + body]) != sums[number]:
                sound = number
                break
        self.damaged = self.damaged or sound < count
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


def read_samples(path: Path) -> Samples:
    """Read every whole record. Raises UsageError when the file does not begin as a sample file, OSError."""
    import numpy as np

    size = path.stat().st_size
    tail = SampleTail(path)
    parts = []
    while (part := tail.look())[0].size:
        parts.append(part)
    if not tail.columns:
        raise UsageError(f"{path} is not a sample file of hilseq")
    times = np.concatenate([part[0] for part in parts]) if parts else np.empty(0)
    values = np.concatenate([part[1] for part in parts]) if parts else np.empty((0, len(tail.columns)), "f4")
    return Samples(tail.columns, times, values, tail.whole_bytes, max(size - tail.whole_bytes, 0))


def prefix_hashes(path: Path, counts: Sequence[int]) -> list[str]:
    """Return the SHA-256 of the file up to each of these numbers of records, to compare with seals of the journal."""
    found = {}
    with open_plain(path) as file:
        head = file.readline(_LONGEST_HEAD)
        size = _record(len(json.loads(head)["columns"])).size + _CRC.size
        digest, done = hashlib.sha256(head), 0
        for count in sorted(set(counts)):
            length = (count - done) * size
            while length > 0 and (block := file.read(min(length, 1 << 20))):
                digest.update(block)
                length -= len(block)
            done, found[count] = count, digest.hexdigest()
    return [found[count] for count in counts]
