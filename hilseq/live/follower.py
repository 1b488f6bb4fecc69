"""One run as it goes, followed once for everybody who looks at it."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from hilseq.journal.entries import JournalEntry, RunStarted, SoakStarted
from hilseq.journal.reader import Journal, JournalTail, Replaced, lost
from hilseq.journal.run_state import RunState
from hilseq.journal.seals import look_for_damage
from hilseq.journal.writer import FILE_NAME
from hilseq.live.liveness import Liveness, is_locked, liveness_of
from hilseq.live.soaking import SampledSoak
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
            self._wrong = f"{error}; it was made by other means, or by a hilseq that is newer than this one"
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
        """Why nothing, or nothing more, can be said of the run; empty for a sound journal."""
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
