"""Which runs a folder holds. A run is addressed by a name that this listing made, and by nothing else."""

from __future__ import annotations

import json
import os
import threading
import time
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path

from hilseq.journal.entries import RunEnded
from hilseq.journal.run_state import RunStatus
from hilseq.journal.writer import FILE_NAME
from hilseq.live.follower import Follower
from hilseq.reports.write import file_stem

#: Runs lie in the folder itself, or one below, as those of a demo do.
_DEPTH = 2
_TAIL = 65536
_ENDED = RunEnded.model_fields["kind"].default
#: Runs that are kept in memory because somebody looks at them.
_MOST_FOLLOWED = 128
#: The listing is looked up again after so long, s.
_FRESH = 2.0


@dataclass(frozen=True, slots=True)
class Found:
    """One run of the listing: `key` is its part of an address, `began` the date of its first entry."""

    key: str
    folder: Path
    began: str
    ended: bool


class RunsFolder:
    """The runs of a folder. `every` is the interval of looking at a running one, s."""

    def __init__(self, path: Path, every: float = 1.0) -> None:
        self.path = path
        self._every = every
        self._lock = threading.Lock()
        self._peeks: dict[Path, tuple[tuple[int, int], tuple[str, bool]]] = {}
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
                    Found(file_stem(str(folder.relative_to(self.path))), folder, began, ended)
                    for folder, (_, (began, ended)) in self._peeks.items()
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
        """Return the runs that go on, the newest first."""
        return [
            found
            for found in self.runs()
            if not found.ended
            and self.follow(found.folder).look(lambda one: one.liveness.status, samples=False)
            is RunStatus.RUNNING
        ]

    def _peek(self, folder: Path) -> tuple[tuple[int, int], tuple[str, bool]] | None:
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


def _peek(path: Path) -> tuple[str, bool]:
    """Return the date of the first line and whether the last line ends the run, without reading the rest."""
    try:
        with path.open("rb") as file:
            first = file.readline()
            file.seek(max(0, file.seek(0, os.SEEK_END) - _TAIL))
            last = file.read().splitlines()[-1]
        return str(json.loads(first).get("at")), _ends(last)
    except (OSError, ValueError, AttributeError, IndexError, RecursionError):
        return "", False


def _ends(line: bytes) -> bool:
    try:
        return bool(json.loads(line)["kind"] == _ENDED)
    except (ValueError, KeyError, TypeError, RecursionError):
        return False
