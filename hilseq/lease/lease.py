"""Holding the instruments of a stand on this computer, by locks of the kernel that end with whoever holds them.

The guard of a run inherits them: a stand whose run has died is held until its guard has switched it off.
A lock file is never deleted; what it says about its holder is for messages, the lock alone decides.
"""

from __future__ import annotations

import math
import os
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path

from hilseq.errors import StandInUse
from hilseq.lease.addresses import StandInstrument
from hilseq.lease.holder import LONGEST, Holder, holder_in
from hilseq.lease.process import Process
from hilseq.lease.shared_folder import is_still, open_shared, shared_folder
from hilseq.lease.signs_of_life import SILENCE, SignsOfLife

if sys.platform != "win32":
    import fcntl

#: Whoever only looks holds a lock for a moment; whoever takes one tries this long, s.
_PATIENCE = 0.5
_PAUSE = 0.02
#: Longest wait until the guard of a killed run has let go, s: it switches off within two.
_GUARD = 3.0


class Lease:
    """The instruments of a stand, held by this process from `take` until `close`."""

    def __init__(self, instruments: Sequence[StandInstrument], holder: Holder) -> None:
        self._instruments = instruments
        self.holder = holder
        self._held: list[int] = []
        #: A holder hears in one thread that it is to end, and releases in another.
        self._noting = threading.RLock()

    def take(self) -> None:
        """Hold all, or none. Raises StandInUse with who holds the first that is not free, StandFault."""
        if sys.platform == "win32":
            return
        folder = shared_folder()
        try:
            for instrument in self._instruments:
                self._held.append(_locked(folder / instrument.lock, instrument))
            self.note(self.holder)
        except BaseException:
            self.close()
            raise

    @property
    def handles(self) -> tuple[int, ...]:
        """The descriptors that hold: a process that inherits them holds on."""
        return tuple(self._held)

    def note(self, holder: Holder) -> None:
        """Say in the lock files who holds."""
        with self._noting:
            self.holder = holder
            words = holder.packed() + b"\n"
            for handle in self._held:
                with suppress(OSError):  # a full disk keeps nobody from holding
                    # Cut afterwards: whoever reads meanwhile finds a whole first line.
                    os.pwrite(handle, words, 0)
                    os.ftruncate(handle, len(words))

    def heard(self) -> None:
        """Say that this process has heard that it is to end."""
        with self._noting:
            if self._held and not self.holder.ending:
                self.note(self.holder.about_to_end())

    def close(self) -> None:
        """Let go; what a guard still holds stays held."""
        with self._noting:
            for handle in self._held:
                os.close(handle)
            self._held.clear()


def _locked(path: Path, instrument: StandInstrument) -> int:
    until = time.monotonic() + _PATIENCE
    while True:
        handle = open_shared(path)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            if time.monotonic() > until:
                holder = _named_in(handle)
                os.close(handle)
                raise StandInUse(refusal(instrument, holder)) from None
        else:
            if is_still(handle, path):
                return handle
        os.close(handle)
        time.sleep(_PAUSE)


def refusal(instrument: StandInstrument, holder: Holder | None) -> str:
    """Return in words that an instrument is in use, by whom, and what can be done."""
    where = f"{instrument.part} ({instrument.address})"
    if holder is None:
        return (
            f"{where} is in use by another process, which has not said who it is; `hilseq stand` tells more, "
            "`hilseq safe` switches off"
        )
    watch = "".join(f" see it with: hilseq watch {run.folder};" for run in holder.runs if run.folder)
    return (
        f"{where} is in use by {holder.words} (stand {holder.stand}). Wait for its end;{watch} or end it with "
        "`hilseq safe`"
    )


def _named_in(handle: int) -> Holder | None:
    holder = holder_in(os.pread(handle, LONGEST, 0).partition(b"\n")[0])
    return holder if holder is not None and holder.is_of_now else None


class InstrumentUse:
    """How one instrument is used now: by a holder, by a process of which nothing is known, or not at all."""

    def __init__(self, instrument: StandInstrument) -> None:
        self.instrument = instrument
        self.is_held = False
        self.holder: Holder | None = None
        self._proven: list[Process] = []

    def look(self) -> InstrumentUse:
        """Look now. Raises StandFault where the lock file is not one."""
        self.is_held, self.holder, self._proven = False, None, []
        if sys.platform == "win32":
            return self
        try:
            handle = open_shared(shared_folder() / self.instrument.lock, make=False)
        except FileNotFoundError:
            return self
        try:
            fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except OSError:
            self.is_held, self.holder = True, _named_in(handle)
            # Only who has the file open can be holding it, whatever is written there.
            self._proven = (
                [process for process in self.holder.processes if process.holds_open(handle)]
                if self.holder is not None
                else []
            )
        finally:
            os.close(handle)
        return self

    @property
    def heard(self) -> bool:
        """Return whether the holder has said that it has heard."""
        return self.holder is not None and self.holder.ending

    def ask(self) -> None:
        """Ask the holder to end, where we may send it a signal."""
        if self.holder is not None and self.holder.process in self._proven:
            self.holder.process.ask_to_end()

    def kill_run(self) -> bool:
        """Kill the run that holds it, so that its guard switches off; return False where we may not, or know none."""
        if self.holder is None or self.holder.process not in self._proven:
            return False
        return self.holder.process.kill()

    def kill(self) -> None:
        """Kill whoever holds it, the guard too, where we may."""
        for process in self._proven:
            process.kill()


def require_free(instruments: Sequence[StandInstrument]) -> None:
    """Raise StandInUse with who uses the first that is not free, StandFault where a lock file is not one."""
    for use in uses_of(instruments):
        if use.is_held:
            raise StandInUse(refusal(use.instrument, use.holder))


def uses_of(instruments: Sequence[StandInstrument]) -> list[InstrumentUse]:
    """Return how the instruments are used now. Raises StandFault where a lock file is not one."""
    return [InstrumentUse(instrument).look() for instrument in instruments]


class _Ending:
    """One process that holds instruments and is to release them: asked, then killed, then its guard with it."""

    def __init__(self, pid: int) -> None:
        # One that waits for the disk (D) is starved, too: until it has what it waits for nothing ends it anyway.
        self._signs = SignsOfLife(pid, starved="RD") if pid else None
        self._begun = time.monotonic()
        self._asked = False
        self._killed_at = math.inf
        self.has_heard = False
        self.is_killed = False
        self.is_given_up = False

    def press(self, uses: Sequence[InstrumentUse], *, late: bool) -> str:
        """Do what is due to end it, and return the outcome, once. `late`: whether its time to end is over."""
        if not self._asked:
            self._asked = True
            for use in uses:
                use.ask()
        self.has_heard = self.has_heard or any(use.heard for use in uses)
        since_killed = time.monotonic() - self._killed_at
        if since_killed > _GUARD + SILENCE and not self.is_given_up:
            self.is_given_up = True
            return "CANNOT BE ENDED from here (another user's?)"
        if since_killed > _GUARD:
            for use in uses:
                use.kill()
        elif self._killed_at == math.inf and (late or self._is_mute()):
            self._killed_at = time.monotonic()
            self.is_killed = any(use.kill_run() for use in uses)
            return "did not end, killed" if self.is_killed else ""
        return ""

    def _is_mute(self) -> bool:
        if self.has_heard:
            return False
        return self._signs.has_ceased if self._signs else time.monotonic() - self._begun > SILENCE


def end_users(uses: Sequence[InstrumentUse], *, patience: float) -> Iterator[str]:
    """Free instruments, as they were looked at before: yield in words the outcome for each who uses them, or did then.

    One who has heard gets `patience` s to switch off and to let go; one who does not answer is killed after a second,
    or later where it is only starved, and nobody else with it. Raises StandFault where a lock file is none.
    """
    reported, endings, begun = _users(uses), dict[int, _Ending](), time.monotonic()
    while True:
        held = _held(uses)
        for pid, used in held.items():
            if pid not in reported or pid not in endings:  # somebody may have come meanwhile
                reported[pid] = _users(used)[pid]
            ending = endings.setdefault(pid, _Ending(pid))
            if became := ending.press(used, late=time.monotonic() - begun > patience):
                yield from (f"{who}: {became}" for who in reported[pid])
        for pid in [pid for pid in reported if pid not in held]:
            users, was = reported.pop(pid), endings.get(pid)
            if was is None or not was.is_killed:
                asked = "asked, " if was is not None and was.has_heard else ""
                yield from (f"{who}: {asked}has ended" for who in users)
        if all(endings[pid].is_given_up for pid in held):
            return
        time.sleep(_PAUSE)


def _held(uses: Sequence[InstrumentUse]) -> dict[int, list[InstrumentUse]]:
    """Look at instruments, and return those that are held by who holds them."""
    found: dict[int, list[InstrumentUse]] = {}
    for use in uses:
        if use.look().is_held:
            found.setdefault(_pid(use), []).append(use)
    return found


def _pid(use: InstrumentUse) -> int:
    """Return what stays the same of who uses an instrument, while it says other things of itself; 0: not known."""
    return use.holder.process.pid if use.holder is not None else 0


def _users(uses: Sequence[InstrumentUse]) -> dict[int, list[str]]:
    """Return in words who uses instruments, each run for itself, by the process that holds them."""
    found: dict[int, list[str]] = {}
    for use in (use for use in uses if use.is_held):
        runs = [run.words for run in use.holder.runs] or [use.holder.words] if use.holder is not None else []
        words = found.setdefault(_pid(use), [])
        words += [
            who for who in runs or [f"an unknown process, using {use.instrument.part}"] if who not in words
        ]
    return found
