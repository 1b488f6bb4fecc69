"""One run as it goes, followed once for everybody who looks at it."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from hilseq.journal import kinds
from hilseq.journal.chain import GENESIS
from hilseq.journal.lost import lost
from hilseq.journal.reader import Journal
from hilseq.journal.writer import FILE_NAME
from hilseq.live.run_state import Life, has_ended, is_locked, life_of
from hilseq.live.soaking import Soaking
from hilseq.live.tail import JournalTail, Replaced
from hilseq.reports.record import RunRecord, load_record, load_sound_record
from hilseq.reports.write import report_names

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
        self._read: tuple[int, int, str] | None = None
        self._record: RunRecord | None = None
        self.refused = ""
        self._start()

    def _start(self) -> None:
        self.journal = JournalTail(self.folder / FILE_NAME)
        self.soaks: dict[str, Soaking] = {}
        self._read = None

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
        for entry in self.journal.look():
            slot = str(entry.get("slot"))
            if entry["kind"] == kinds.SOAK_STARTED:
                self.soaks[slot] = Soaking(self.folder, entry)
            elif slot in self.soaks:
                self.soaks[slot].take(entry)
        for soak in self.soaks.values() if samples else ():
            soak.look()

    @property
    def mark(self) -> str:
        """What tells this journal from every other, short enough for an event's id."""
        return self.journal.key[:16]

    @property
    def record(self) -> RunRecord | None:
        """What the journal tells so far; None while it tells no run, and then `refused` may say why."""
        journal = self.journal
        read = (len(journal.entries), journal.torn, journal.broken)
        if read != self._read:
            self._read = read
            self._record, self.refused = None, ""
            try:
                # While samples still come, the seals are behind them, and nothing is decided yet.
                told = load_sound_record if has_ended(journal.entries) else load_record
                self._record = told(
                    Journal(journal.path, tuple(journal.entries), journal.chain, journal.torn, journal.broken)
                )
            except (ValueError, OverflowError) as error:
                # A journal of which no line is whole yet is no wrong journal.
                self.refused = str(error) if journal.entries or journal.broken or self._lost else ""
        return self._record

    @property
    def _lost(self) -> str:
        """How the journal has lost its lines; empty for one that somebody is about to begin."""
        path = self.journal.path
        if self.journal.entries or not path.is_file() or is_locked(path):
            return ""
        return lost(Journal(path, (), GENESIS, self.journal.torn, self.journal.broken))

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
    def life(self) -> Life:
        """How the run stands now."""
        journal = self.journal
        return life_of(self.folder, journal.path, journal.entries, journal.broken or self._lost)
