"""The latch: what `hilseq safe` leaves, and what keeps every command from powering the stand until it is released.

Beside the lock of each instrument lies a file of lines, the last of which says how it stands; so it keeps who
latched and who released it, when and why. One that cannot be read keeps the instrument off.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from hilseq.errors import StandFault, StandInUse
from hilseq.lease.addresses import StandInstrument
from hilseq.lease.holder import user_name
from hilseq.lease.shared_folder import open_shared, shared_folder

#: Bytes at the end of a file that are read: more than a line ever has.
_TAIL = 8192
_LONGEST = 500
_LATCHED, _RELEASED = "latched", "released"


@dataclass(frozen=True, slots=True)
class LatchLine:
    """One line: what was done, by whom, when (ISO 8601, UTC), and why."""

    what: str
    by: str
    at: str
    why: str

    @property
    def words(self) -> str:
        """Who, when and why."""
        when = self.at.replace("T", " ").replace("+00:00", " UTC")
        return f"by {self.by}, {when}: {self.why}"


_UNREADABLE = LatchLine(
    _LATCHED, "somebody", "at a time that cannot be read", "its file cannot be understood"
)


class Latch:
    """The latch of some instruments of a stand."""

    def __init__(self, instruments: Sequence[StandInstrument]) -> None:
        self._names = [instrument.latch for instrument in instruments]

    def standing(self) -> LatchLine | None:
        """Return the first latch that stands; None where the stand may be powered. Raises StandFault."""
        lines = (self._last(name) for name in self._names)
        return next((line for line in lines if line is not None and line.what != _RELEASED), None)

    def last_release(self) -> LatchLine | None:
        """Return the release that was the last thing done to the first of them."""
        lines = (self._last(name) for name in self._names)
        return next((line for line in lines if line is not None and line.what == _RELEASED), None)

    def set(self, why: str) -> None:
        """Latch. Raises StandFault when it cannot be written: the stand would not stay off."""
        self._append(LatchLine(_LATCHED, user_name(), _now(), why))

    def release(self, why: str) -> None:
        """Let the stand be powered again. Raises StandFault."""
        self._append(LatchLine(_RELEASED, user_name(), _now(), why[:_LONGEST]))

    def require_released(self) -> None:
        """Raise StandInUse where the stand is kept off."""
        standing = self.standing()
        if standing is not None:
            raise StandInUse(
                f"the stand was made safe and is kept off: latched {standing.words}. When nobody is in danger: "
                "hilseq stand --stand FILE --release --reason TEXT"
            )

    def _append(self, line: LatchLine) -> None:
        data = json.dumps({"what": line.what, "by": line.by, "at": line.at, "why": line.why}).encode() + b"\n"
        for name in self._names:
            path = shared_folder() / name
            handle = open_shared(path)
            try:
                # What was there before is not trusted to end with a line.
                os.lseek(handle, 0, os.SEEK_END)
                os.write(handle, b"\n" + data)
                os.fsync(handle)
            except OSError as error:
                raise StandFault(
                    f"{path} cannot be written ({error.strerror})", place="this computer"
                ) from error
            finally:
                os.close(handle)

    @staticmethod
    def _last(name: str) -> LatchLine | None:
        try:
            handle = open_shared(shared_folder() / name, make=False)
        except FileNotFoundError:
            return None
        try:
            for _ in range(3):
                line = _parsed(_tail(handle))
                if line is not _UNREADABLE:
                    break
                time.sleep(0.02)  # it may be being written
            return line
        finally:
            os.close(handle)


def _tail(handle: int) -> bytes:
    return os.pread(handle, _TAIL, max(0, os.fstat(handle).st_size - _TAIL))


def _parsed(tail: bytes) -> LatchLine | None:
    if not tail:
        return None
    try:
        plain = json.loads(tail.rstrip(b"\n").rpartition(b"\n")[2])
        if plain["what"] not in (_LATCHED, _RELEASED):
            return _UNREADABLE
        by, at, why = (
            "".join(c if c.isprintable() else "?" for c in str(plain[key]))[:_LONGEST]
            for key in ("by", "at", "why")
        )
    except (ValueError, TypeError, KeyError, RecursionError):
        return _UNREADABLE
    return LatchLine(plain["what"], by, at, why)


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
