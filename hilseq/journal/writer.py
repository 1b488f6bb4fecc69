"""Writing a journal: every entry is on the disk before `write` returns."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from hilseq.clock import Clock
from hilseq.errors import UsageError
from hilseq.journal.chain import GENESIS, seal

FILE_NAME = "journal.jsonl"


class JournalWriter:
    """Appends entries to `FOLDER/journal.jsonl`.

    `entry["t"]` is the time of the run's clock in seconds, `entry["at"]` the same instant as a date.
    Raises UsageError when the folder already holds a journal, OSError when the disk refuses.
    """

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.path = folder / FILE_NAME
        try:
            self._handle = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND, 0o644)
        except FileExistsError:
            raise UsageError(
                f"{self.path} already exists; a journal is never written over: give another --out"
            ) from None
        self._number = 0
        self._chain = GENESIS
        self.clock: Clock | None = None

    def write(self, kind: str, **fields: Any) -> None:
        """Append one entry and wait until it is durable."""
        moment = self.clock.moment() if self.clock else datetime.now(UTC)
        entry = {
            "kind": kind,
            "at": moment.isoformat(timespec="milliseconds"),
            "t": round(self.clock.now(), 6) if self.clock else 0.0,
            **fields,
        }
        line, chain = seal(self._number, entry, self._chain)
        written = os.write(self._handle, line)
        if written != len(line):
            raise OSError(
                f"only {written} of {len(line)} bytes of a journal line were written to {self.path}"
            )
        os.fdatasync(self._handle)
        self._number += 1
        self._chain = chain

    @property
    def chain(self) -> str:
        """Chain value of the last line: the fingerprint of everything so far."""
        return self._chain

    def close(self) -> None:
        """Close the file; nothing is lost by not doing so."""
        os.close(self._handle)
