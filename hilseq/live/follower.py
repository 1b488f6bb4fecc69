"""One run as it goes, followed once for everybody who looks at it, and whether it is still going.

A run locks its journal while it writes; the kernel's list of locks tells so without touching the lock. Where
that list does not reach (a run of another computer on a shared folder), a file written to a short while ago
does. That no lock is held proves an end only to the kernel that the run itself named: for a moment it is taken.
A run that is silent and not known to be alive is called unfinished, never complete.

Which runs a folder holds. A run is addressed by a name that this listing made, and by nothing else.
"""

from __future__ import annotations

import json
import math
import os
import sys
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

from hilseq.journal.entries import JournalEntry, RunEnded, RunStarted
from hilseq.journal.reader import Journal, JournalTail, Replaced, lost
from hilseq.journal.run_state import RunState, RunStatus
from hilseq.journal.seals import look_for_damage
from hilseq.journal.soak_entries import SoakStarted
from hilseq.journal.writer import FILE_NAME, boot_id
from hilseq.live.soaking import SampledSoak
from hilseq.open_files import LONGEST_HEADER, open_plain
from hilseq.quantities import show_duration
from hilseq.reports.files import file_stem, report_names

if sys.platform != "win32":
    import fcntl

#: A run that wrote nothing for so long, s, and is not known to be alive, is not called active.
SIGN_OF_LIFE = 120.0
#: Words for a run that is running and needs no other.
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
    reported: str
    age: float


def is_locked(path: Path) -> bool:
    """Return whether some process of this computer holds a lock on the file."""
    try:
        status = path.stat()
        listed = _LOCKS.read_text("ascii", "replace")
    except OSError:
        return False
    mark = f"{os.major(status.st_dev):02x}:{os.minor(status.st_dev):02x}:{status.st_ino} "
    return any(f" {mark}" in line and " FLOCK " in line for line in listed.splitlines())


def _has_died(journal: JournalTail, state: RunState | None) -> bool:
    """Return whether a run of this computer, since it was started, has released its journal without an end.

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
        with open_plain(folder / _GUARD) as file:
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
        return Liveness(RunStatus.UNFINISHED, "broke off: its process has ended without a message", age)
    if age <= SIGN_OF_LIFE:
        return Liveness(RunStatus.RUNNING, RUNS, age)
    if age == float("inf"):
        return Liveness(RunStatus.UNFINISHED, "its files are gone", age)
    since = f"{datetime.fromtimestamp(time.time() - age, UTC):%Y-%m-%d %H:%M} UTC"
    words = f"did not end; no heartbeat since {since}: it was cut off, or waits"
    return Liveness(RunStatus.UNFINISHED, words, age)


_T = TypeVar("_T")


class Follower:
    """Reads a run folder piece by piece, no oftener than every `every` seconds however many ask.

    What is read of it is to be read inside `look`, which keeps everybody else from changing it meanwhile.
    """

    def __init__(self, folder: Path, every: float) -> None:
        self.folder = folder
        self._every = every
        self._lock = threading.Lock()
        self._looked_at = -float("inf")
        self._sampled = False
        self._start()

    def _start(self) -> None:
        self.journal = JournalTail(self.folder / FILE_NAME)
        self.state: RunState | None = None
        self.soaks: dict[str, SampledSoak] = {}
        self._wrong = ""

    def look(self, say: Callable[[Follower], _T], *, samples: bool = True) -> _T:
        """Take what the run has written since, and return what `say` makes of it.

        Without `samples` only the journal is read.
        """
        with self._lock:
            due = time.monotonic() - self._looked_at >= self._every / 2
            if due or (samples and not self._sampled):
                try:
                    self._look(samples=samples)
                except Replaced:
                    self._start()
                    self._look(samples=samples)
                self._looked_at, self._sampled = time.monotonic(), samples
            return say(self)

    def _look(self, *, samples: bool) -> None:
        new = self.journal.look()
        try:
            for entry in new:
                self._take(entry)
        except ValueError as error:
            self._wrong = f"{error}; it was not made by hilseq, or by a newer version than this one"
        state = self.state
        if state is not None:
            state.chain, state.torn, state.broken = self.journal.chain, self.journal.torn, self.journal.broken
            if new and state.end is not None:
                # While samples still come, the seals are behind them, and nothing is decided yet.
                look_for_damage(state, self.folder)
        for soak in self.soaks.values() if samples else ():
            soak.look()

    def _take(self, entry: JournalEntry) -> None:
        if self._wrong:
            return
        if self.state is not None:
            self.state.take(entry)
        elif isinstance(entry, RunStarted):
            self.state = RunState(entry)
        else:
            raise ValueError("it does not begin with a run")
        if isinstance(entry, SoakStarted) and (soak := self.state.unit(entry.slot).soak) is not None:
            self.soaks[entry.slot] = SampledSoak(self.folder, soak)

    @property
    def mark(self) -> str:
        """What tells this journal from every other, short enough for an event's id."""
        return self.journal.links[0][:16] if self.journal.links else ""

    @property
    def refused(self) -> str:
        """Why nothing, or nothing more, can be said about the run; empty for a sound journal."""
        wrong = self._wrong or self.journal.foreign
        if wrong:
            return f"{self.journal.path}: {wrong}"
        if self.state is None and self.journal.broken:
            return f"{self.journal.path} does not begin with a run; {self.journal.broken}"
        # A journal of which no line is whole yet is no wrong journal.
        return f"{self.folder}: {self._lost}" if self.state is None and self._lost else ""

    @property
    def record(self) -> RunState | None:
        """What the journal tells so far; None while it tells no run, and then `refused` may say why."""
        return None if self._wrong or self.journal.foreign else self.state

    @property
    def _lost(self) -> str:
        """How the journal has lost its lines; empty for one that somebody is about to begin."""
        path = self.journal.path
        if self.journal.entries or not path.is_file() or is_locked(path):
            return ""
        return lost(Journal(path, (), (), self.journal.torn, self.journal.broken))

    @property
    def reports(self) -> list[str]:
        """The report file of each unit, in order; empty where the folder lists no such plain file."""
        record = self.record
        if record is None:
            return []
        try:
            there = {one.name for one in self.folder.iterdir() if one.is_file() and not one.is_symlink()}
        except OSError:
            there = set()
        names = report_names(record)
        return [names[unit.slot] if names[unit.slot] in there else "" for unit in record.units]

    @property
    def liveness(self) -> Liveness:
        """How the run stands now."""
        return liveness_of(self.journal, self.state, self._lost)


#: Runs lie in the folder itself, or one below, as those of a demo do.
_DEPTH = 2
_ENDED = RunEnded.model_fields["kind"].default
#: Runs that are kept in memory because somebody looks at them.
_MOST_FOLLOWED = 128
#: The listing is looked up again after so long, s.
_FRESH = 2.0


@dataclass(frozen=True, slots=True)
class Found:
    """One run of the listing: `key` is its part of an address, `began` the date of its first entry.

    `stand` and `slots` are those that its first entry names.
    """

    key: str
    folder: Path
    began: str
    ended: bool
    stand: str = ""
    slots: tuple[str, ...] = ()


#: Date of a run's first entry, whether its last line ends it, its stand and its slots.
_Peek = tuple[str, bool, str, tuple[str, ...]]


class RunsFolder:
    """The runs of a folder. `every` is the interval of looking at a running one, s."""

    def __init__(self, path: Path, every: float = 1.0) -> None:
        self.path = path
        self._every = every
        self._lock = threading.Lock()
        self._peeks: dict[Path, tuple[tuple[int, int], _Peek]] = {}
        self._listed: list[Found] = []
        self._listed_at = -float("inf")
        self._followed: OrderedDict[Path, Follower] = OrderedDict()

    def runs(self) -> list[Found]:
        """Return all runs, those that have not ended first, then the newest first."""
        with self._lock:
            if time.monotonic() - self._listed_at > _FRESH:
                folders = sorted(_run_folders(self.path, _DEPTH))
                self._peeks = {folder: peek for folder in folders if (peek := self._peek(folder))}
                found = [
                    Found(file_stem(str(folder.relative_to(self.path))), folder, *peek)
                    for folder, (_, peek) in self._peeks.items()
                ]
                found.sort(key=lambda one: one.began, reverse=True)
                found.sort(key=lambda one: one.ended)
                self._listed, self._listed_at = found, time.monotonic()
            return self._listed

    def find(self, key: str) -> Found | None:
        """Return the run of that name; None when the listing has none."""
        return next((found for found in self.runs() if found.key == key), None)

    def follow(self, folder: Path) -> Follower:
        """Return the one follower of a run."""
        with self._lock:
            follower = self._followed.get(folder)
            if follower is None:
                follower = self._followed[folder] = Follower(folder, self._every)
            self._followed.move_to_end(folder)
            while len(self._followed) > _MOST_FOLLOWED:
                self._followed.popitem(last=False)
            return follower

    def going_on(self) -> list[Found]:
        """Return the active runs, the newest first."""
        return [
            found
            for found in self.runs()
            if not found.ended
            and self.follow(found.folder).look(lambda one: one.liveness.status, samples=False)
            is RunStatus.RUNNING
        ]

    def _peek(self, folder: Path) -> tuple[tuple[int, int], _Peek] | None:
        """Return size and date of a journal, when its run began, and whether its last line ends the run."""
        try:
            status = (folder / FILE_NAME).stat()
        except OSError:
            return None
        seen = (status.st_size, status.st_mtime_ns)
        known = self._peeks.get(folder)
        return known if known is not None and known[0] == seen else (seen, _peek(folder / FILE_NAME))


def _run_folders(folder: Path, depth: int) -> list[Path]:
    """Return the folders that hold a journal. Links are not followed: what is served lies in the folder."""
    found: list[Path] = []
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                if not entry.is_dir(follow_symlinks=False):
                    continue
                inner = Path(entry.path)
                journal = inner / FILE_NAME
                if journal.is_file() and not journal.is_symlink():
                    found.append(inner)
                elif depth > 1:
                    found += _run_folders(inner, depth - 1)
    except OSError:
        pass
    return found


def _peek(path: Path) -> _Peek:
    """Return what the first line and the last tell, without reading the rest."""
    try:
        with open_plain(path) as file:
            first = json.loads(file.readline(LONGEST_HEADER))
            file.seek(max(0, file.seek(0, os.SEEK_END) - _TAIL))
            last = file.read().splitlines()[-1]
        units = first.get("units")
        slots = (
            tuple(str(unit.get("slot")) for unit in units if isinstance(unit, dict))
            if isinstance(units, list)
            else ()
        )
        return str(first.get("at")), _ends(last), str(first.get("stand") or ""), slots
    except (OSError, ValueError, AttributeError, IndexError, RecursionError):
        return "", False, "", ()


def _ends(line: bytes) -> bool:
    try:
        return bool(json.loads(line)["kind"] == _ENDED)
    except (ValueError, KeyError, TypeError, RecursionError):
        return False
