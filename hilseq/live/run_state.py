"""Whether a run that has not ended still goes on.

A run locks its journal while it writes; the kernel's list of locks tells so without touching the lock. Where
that list does not reach (a run of another computer on a shared folder), a file written to a short while ago
does. That no lock is held proves an end only to the kernel that the run itself named: for a moment it is taken.
A run that is silent and not known to be alive is called unfinished, never complete.
"""

from __future__ import annotations

import json
import math
import os
import sys
import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Any

from hilseq.journal import kinds
from hilseq.journal.boot import boot_id
from hilseq.quantities import show_duration

if sys.platform != "win32":
    import fcntl

#: A run that wrote nothing for so long, s, and is not known to be alive, is not said to go on.
SIGN_OF_LIFE = 120.0
#: What is told of a run that goes on and has nothing else to say.
GOES_ON = "the run goes on"
_GUARD = "guard.jsonl"
_LOCKS = Path("/proc/locks")
_TAIL = 65536


class State(StrEnum):
    """How a run stands."""

    RUNNING = "running"
    ENDED = "ended"
    INTERRUPTED = "interrupted"
    UNFINISHED = "unfinished"
    DAMAGED = "damaged"


SIGNS = {
    State.RUNNING: "\u25b6",
    State.ENDED: "\u25a0",
    State.INTERRUPTED: "\u2016",
    State.UNFINISHED: "\u2026",
    State.DAMAGED: "!",
}


@dataclass(frozen=True, slots=True)
class Life:
    """The state of a run, in words, and the seconds since its files were last written to."""

    state: State
    told: str
    age: float


def has_ended(entries: Iterable[Mapping[str, Any]]) -> bool:
    """Tell whether a run came to an end, and was not taken up again after it."""
    last = [e["kind"] for e in entries if e["kind"] in (kinds.RUN_ENDED, kinds.RUN_RESUMED)]
    return bool(last) and last[-1] == kinds.RUN_ENDED


def is_locked(path: Path) -> bool:
    """Tell whether some process of this computer holds a lock on the file."""
    try:
        status = path.stat()
        listed = _LOCKS.read_text("ascii", "replace")
    except OSError:
        return False
    mark = f"{os.major(status.st_dev):02x}:{os.minor(status.st_dev):02x}:{status.st_ino} "
    return any(f" {mark}" in line and " FLOCK " in line for line in listed.splitlines())


def _has_died(journal: Path, entries: list[dict[str, Any]]) -> bool:
    """Tell whether a run of this computer, since it was started, has let go of its journal without an end.

    The list of locks does not show those of every file system and container, but the kernel knows them all.
    """
    begun = [e for e in entries if e["kind"] in (kinds.RUN_STARTED, kinds.RUN_RESUMED)]
    if sys.platform == "win32" or not begun or not boot_id() or begun[-1].get("boot") != boot_id():
        return False
    try:
        handle = os.open(journal, os.O_RDONLY | os.O_NONBLOCK)
    except OSError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
        # Its end may have been written since the journal was read: then these entries are not its last.
        os.lseek(handle, max(0, os.lseek(handle, 0, os.SEEK_END) - _TAIL), os.SEEK_SET)
        last = os.read(handle, _TAIL).rpartition(b"\n")[0].rpartition(b"\n")[2]
        return last.startswith(b'{"n":%d,' % (len(entries) - 1))
    except OSError:
        return False
    finally:
        os.close(handle)


def age_of(folder: Path) -> float:
    """Return the seconds since the journal or a sample file of the run was written to."""
    newest = 0.0
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                if entry.name.endswith((".jsonl", ".bin")) and entry.is_file(follow_symlinks=False):
                    newest = max(newest, entry.stat(follow_symlinks=False).st_mtime)
    except OSError:
        return float("inf")
    return max(time.time() - newest, 0.0)


def _guard_acted(folder: Path, last: str) -> str:
    """Return why the guard made the stand safe after the journal's last entry; empty when it did not."""
    try:
        with (folder / _GUARD).open("rb") as file:
            file.seek(max(0, file.seek(0, 2) - _TAIL))
            entry = json.loads(file.read().splitlines()[-1])
        acted = datetime.fromisoformat(str(entry["at"])) > datetime.fromisoformat(last)
        return str(entry.get("reason") or "the run has died") if acted else ""
    except (OSError, ValueError, KeyError, TypeError, IndexError, RecursionError):
        return ""


def life_of(folder: Path, journal: Path, entries: list[dict[str, Any]], broken: str) -> Life:
    """Return how a run stands; `broken` is what is wrong with its journal."""
    age = age_of(folder)
    if broken:
        return Life(State.DAMAGED, f"the journal cannot be trusted from here on: {broken}", age)
    if has_ended(entries):
        last = next(entry for entry in reversed(entries) if entry["kind"] == kinds.RUN_ENDED)
        if last.get("interrupted"):
            return Life(State.INTERRUPTED, "the run was interrupted: what it had not done is open", age)
        return Life(State.ENDED, "the run came to its end", age)
    return _open_life(folder, journal, entries, age)


def _open_life(folder: Path, journal: Path, entries: list[dict[str, Any]], age: float) -> Life:
    """Return how a run stands whose journal has no end."""
    silence = show_duration(max(round(age), 1)) if math.isfinite(age) else "ever"
    why = _guard_acted(folder, str(entries[-1].get("at"))) if entries else ""
    if why:
        return Life(State.UNFINISHED, f"broke off, and the guard switched off: {why}", age)
    if is_locked(journal):
        quiet = f"; nothing new for {silence}" if age > SIGN_OF_LIFE else ""
        return Life(State.RUNNING, f"{GOES_ON}{quiet}", age)
    if _has_died(journal, entries):
        return Life(State.UNFINISHED, "broke off: its process has ended without a word", age)
    if age <= SIGN_OF_LIFE:
        return Life(State.RUNNING, GOES_ON, age)
    if age == float("inf"):
        return Life(State.UNFINISHED, "its files are gone", age)
    since = f"{datetime.fromtimestamp(time.time() - age, UTC):%Y-%m-%d %H:%M} UTC"
    return Life(
        State.UNFINISHED, f"did not end; no sign of life since {since}: it was cut off, or waits", age
    )
