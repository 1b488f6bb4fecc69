"""How a run stands: whether one that has not ended is still running.

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
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from hilseq.journal.reader import JournalTail
from hilseq.journal.run_state import RunState, RunStatus
from hilseq.journal.writer import boot_id
from hilseq.quantities import show_duration

if sys.platform != "win32":
    import fcntl

#: A run that wrote nothing for so long, s, and is not known to be alive, is not said to go on.
SIGN_OF_LIFE = 120.0
#: What is said of a run that is running and has nothing else to say.
RUNS = "running"
_GUARD = "guard.jsonl"
_LOCKS = Path("/proc/locks")
_TAIL = 65536


SIGNS = {
    RunStatus.RUNNING: "\u25b6",
    RunStatus.COMPLETED: "\u25a0",
    RunStatus.INTERRUPTED: "\u2016",
    RunStatus.UNFINISHED: "\u2026",
    RunStatus.DAMAGED: "!",
}


@dataclass(frozen=True, slots=True)
class Liveness:
    """How a run stands, in words, and the seconds since its files were last written to."""

    status: RunStatus
    told: str
    age: float


def is_locked(path: Path) -> bool:
    """Tell whether some process of this computer holds a lock on the file."""
    try:
        status = path.stat()
        listed = _LOCKS.read_text("ascii", "replace")
    except OSError:
        return False
    mark = f"{os.major(status.st_dev):02x}:{os.minor(status.st_dev):02x}:{status.st_ino} "
    return any(f" {mark}" in line and " FLOCK " in line for line in listed.splitlines())


def _has_died(journal: JournalTail, state: RunState | None) -> bool:
    """Tell whether a run of this computer, since it was started, has let go of its journal without an end.

    The list of locks does not show those of every file system and container, but the kernel knows them all.
    """
    if sys.platform == "win32" or state is None or not boot_id() or state.boot != boot_id():
        return False
    try:
        handle = os.open(journal.path, os.O_RDONLY | os.O_NONBLOCK)
    except OSError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
        # Its end may have been written since the journal was read: then these entries are not its last.
        os.lseek(handle, max(0, os.lseek(handle, 0, os.SEEK_END) - _TAIL), os.SEEK_SET)
        last = os.read(handle, _TAIL).rpartition(b"\n")[0].rpartition(b"\n")[2]
        return last.startswith(b'{"n":%d,' % (len(journal.links) - 1))
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


def liveness_of(journal: JournalTail, state: RunState | None, lost: str = "") -> Liveness:
    """Return how a run stands; `lost` says how the journal has lost its lines, if it has."""
    age = age_of(journal.path.parent)
    if wrong := journal.broken or lost:
        return Liveness(RunStatus.DAMAGED, f"the journal cannot be trusted from here on: {wrong}", age)
    status = RunStatus.UNFINISHED if state is None else state.status
    if status is RunStatus.INTERRUPTED:
        return Liveness(status, "the run was interrupted: what it had not done is open", age)
    if status is RunStatus.COMPLETED:
        return Liveness(status, "the run came to its end", age)
    return _without_end(journal, state, age)


def _without_end(journal: JournalTail, state: RunState | None, age: float) -> Liveness:
    """Return how a run stands whose journal has no end."""
    silence = show_duration(max(round(age), 1)) if math.isfinite(age) else "ever"
    why = "" if state is None else _guard_acted(journal.path.parent, state.ended)
    if why:
        return Liveness(RunStatus.UNFINISHED, f"broke off, and the guard switched off: {why}", age)
    if is_locked(journal.path):
        quiet = f"; nothing new for {silence}" if age > SIGN_OF_LIFE else ""
        return Liveness(RunStatus.RUNNING, f"{RUNS}{quiet}", age)
    if _has_died(journal, state):
        return Liveness(RunStatus.UNFINISHED, "broke off: its process has ended without a word", age)
    if age <= SIGN_OF_LIFE:
        return Liveness(RunStatus.RUNNING, RUNS, age)
    if age == float("inf"):
        return Liveness(RunStatus.UNFINISHED, "its files are gone", age)
    since = f"{datetime.fromtimestamp(time.time() - age, UTC):%Y-%m-%d %H:%M} UTC"
    words = f"did not end; no sign of life since {since}: it was cut off, or waits"
    return Liveness(RunStatus.UNFINISHED, words, age)
