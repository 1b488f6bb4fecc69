"""One visit, from the first journal line to the safe state and the reports."""

from __future__ import annotations

import hashlib
import signal
import threading
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import hilseq
from hilseq.clock import Clock, WallClock
from hilseq.description.visit import Visit
from hilseq.errors import HilseqError, StandFault, UsageError
from hilseq.guard.client import Guard
from hilseq.journal import kinds
from hilseq.journal.writer import FILE_NAME as JOURNAL
from hilseq.journal.writer import JournalWriter
from hilseq.plugin.options import VisitOptions
from hilseq.procedures.bench import Bench
from hilseq.stepped import SteppedClock
from hilseq.twin import Twin, repoint


def _input(role: str, path: Path) -> dict[str, str]:
    content = path.read_bytes()
    return {
        "role": role,
        "name": path.name,
        "sha256": hashlib.sha256(content).hexdigest(),
        "text": content.decode("utf-8", "replace"),
    }


def _default_folder(serials: Sequence[str]) -> Path:
    words = "-".join("".join(c if c.isalnum() else "_" for c in serial) for serial in serials)
    return Path("runs") / f"{datetime.now(UTC):%Y%m%d-%H%M%S}-{words[:60]}"


class VisitRun:
    """Owns the twin, the clock, the journal and the bench of one visit."""

    def __init__(self, options: VisitOptions, visit: Visit) -> None:
        self.options = options
        self.visit = visit
        self.folder = options.out or _default_folder(list(options.serials.values()))
        self.clock: Clock = WallClock()
        self._journal: JournalWriter | None = None
        self._twin: Twin | None = None
        self._guard: Guard | None = None
        self._safe = True
        self._bench: Bench | None = None
        self._bench_fault: StandFault | None = None
        self._stand = visit.stand
        #: Called with kind and fields of every journal entry, after it is on the disk.
        self.observers: list[Callable[[str, dict[str, Any]], None]] = []

    def start(self) -> None:
        """Start the twin when one is asked for, and the clock. Raises UsageError for an impossible defect."""
        options = self.options
        taken = self.folder / JOURNAL
        if taken.exists():
            raise UsageError(f"{taken} already exists; a journal is never written over: give another --out")
        if options.simulate:
            self._twin = Twin(
                options.stand,
                options.units,
                serials=options.serials,
                seed=options.seed,
                defects=options.defects,
            )
            self._stand = repoint(self.visit.stand, self._twin.endpoints)
        if self._stand.simulated_clock:
            self.clock = SteppedClock(self._stand.simulated_clock)

        else:
            # A twin of our own ends with this process; everything else needs the guard.
            self._guard = Guard(self._stand, self.folder)
            self.clock.tick = self._guard.sign_of_life

    def open_journal(self, sequences: Sequence[Path]) -> None:
        """Begin the journal with everything the run was given."""
        options = self.options
        inputs = [_input("stand file", options.stand)]
        inputs += [_input(f"profile of slot {slot}", path) for slot, path in options.units.items()]
        inputs += [_input("sequence", path) for path in sorted(set(sequences))]
        self._journal = JournalWriter(self.folder)
        self._journal.clock = self.clock
        self.note(
            kinds.RUN_STARTED,
            run=self.folder.name,
            stand=self.visit.stand.stand,
            hilseq=hilseq.__version__,
            simulated=self._stand.simulated_clock is not None,
            seed=options.seed if options.simulate else None,
            decision_rules={slot: profile.decision_rule for slot, profile in self.visit.profiles.items()},
            units=[
                {
                    "slot": slot,
                    "serial": options.serials[slot],
                    "part": profile.part,
                    "description": profile.description,
                }
                for slot, profile in self.visit.profiles.items()
            ],
            options={"attended": options.attended},
            inputs=inputs,
        )

    def note(self, kind: str, **fields: Any) -> None:
        """Append to the journal; durable when this returns. Nothing is noted before it is open."""
        if self._journal is None:
            return
        self.clock.tick()
        self._journal.write(kind, **fields)
        for observe in self.observers:
            observe(kind, fields)

    def event(self, what: str, text: str, slot: str = "") -> None:
        """Append an event."""
        self.note(kinds.EVENT, what=what, text=text, slot=slot)

    def bench(self) -> Bench:
        """Return the opened bench; opened once. Raises the same StandFault again when it could not be."""
        if self._bench_fault is not None:
            raise self._bench_fault
        if self._bench is None:
            bench = Bench(self._stand, self.visit.profiles, self.options.serials, self.clock, self.event)
            self._bench = bench
            try:
                if self._guard is not None:
                    self._guard.wait_until_watching()
                for instrument in bench.prepare():
                    self.note(kinds.INSTRUMENT, **instrument)
            except StandFault as fault:
                self._bench_fault = fault
                raise
        return self._bench

    @property
    def journal_is_open(self) -> bool:
        """Tell whether the run has begun and not yet ended."""
        return self._journal is not None

    def make_safe(self, slot: str | None = None) -> str:
        """Make one slot, or the whole stand, safe if it was opened.

        Returns what went wrong, or an empty text.
        """
        if self._bench is None:
            return ""
        why = ""
        try:
            self._bench.make_safe(slot)
        except HilseqError as error:
            why = str(error)
        if slot is None:
            self._safe = not why
        self.note(kinds.MADE_SAFE, verified=not why, why=why, by="run", slot=slot or "")
        return why

    def finish(self, exit_code: int, *, interrupted: bool) -> None:
        """Write the last journal line and let go of everything."""
        self.note(kinds.RUN_ENDED, exit_code=exit_code, interrupted=interrupted)
        if self._journal is not None:
            self._journal.close()
            self._journal = None
        self.close()

    def close(self) -> None:
        """Let go of the bench, the guard and the twin."""
        if self._bench is not None:
            self._bench.close()
            self._bench = None
        if self._guard is not None:
            self._guard.release(safe=self._safe)
            self._guard = None
        if self._twin is not None:
            self._twin.close()
            self._twin = None


def interrupt_on_termination() -> None:
    """Turn SIGTERM and SIGHUP into the interrupt that Ctrl-C is, so that every way out makes safe."""
    if threading.current_thread() is not threading.main_thread():
        return

    def interrupt(number: int, _frame: object) -> None:
        raise KeyboardInterrupt(signal.Signals(number).name)

    for name in ("SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), interrupt)
