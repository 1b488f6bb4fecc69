"""What a soak keeps, and who keeps it: the seam between what is done and where it is written.

The progress of a soak is counted in instants, zero + k * period, computed from k, so that three days do not drift.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from hilseq.clock import Clock
from hilseq.journal.entries import StoredFault
from hilseq.journal.run_state import SoakState
from hilseq.journal.soak_entries import (
    PortTally,
    SoakColumn,
    SoakEnded,
    SoakEventLogged,
    SoakGap,
    SoakStarted,
    SoakStatus,
)


@dataclass(frozen=True, slots=True)
class ResumedSoak:
    """An interrupted soak, by its journal and its samples.

    `last` is the run's clock at the last sample, or at the beginning, s; `ends` the lowest and highest value of
    each column with limits, by its name, where anything was sensed.
    """

    soak: SoakState
    samples: int
    last: float
    ends: Mapping[str, tuple[float, float]]
    why: str


class SoakRecorder(Protocol):
    """Keeps what a soak finds. Every call may raise StandFault when the disk refuses; it is safe by then."""

    @property
    def slot(self) -> str:
        """The slot that is soaked."""
        ...

    @property
    def check(self) -> str:
        """The check that the soak belongs to."""
        ...

    @property
    def file(self) -> str:
        """Name of the sample file."""
        ...

    def begin(self, started: SoakStarted) -> None:
        """Keep what is planned, and begin the samples."""
        ...

    def resume(self, columns: Sequence[SoakColumn]) -> None:
        """Continue the samples of an interrupted soak."""
        ...

    def sample(self, at: float, values: Sequence[float]) -> None:
        """Keep one regular sample; it is on the disk within a second."""
        ...

    def event(self, event: SoakEventLogged) -> None:
        """Keep one finding, durable with every sample before it when this returns."""
        ...

    def note(self, what: str, text: str) -> None:
        """Keep something that happened, durable when this returns."""
        ...

    def missed(self, count: int) -> None:
        """Keep that the stand was too slow for so many samples."""
        ...

    def gap(self, gap: SoakGap) -> None:
        """Keep a stretch of time without samples."""
        ...

    def faults(self, when: str, stored: Sequence[StoredFault]) -> None:
        """Keep a fault table."""
        ...

    def burst(self, name: str, columns: Sequence[str], rows: Sequence[Sequence[float | None]]) -> None:
        """Keep the samples from before and after an event."""
        ...

    def seal(self, ports: dict[str, PortTally]) -> None:
        """Put everything on the disk and seal the samples so far; `ports` is what they have carried."""
        ...

    def end(self, ended: SoakEnded) -> None:
        """Keep how the soak ended, and close the samples."""
        ...

    def progress(self, progress: SoakStatus) -> None:
        """Show how it goes; nothing is kept."""
        ...


#: Instants nearer than this share of a period are the same one, seen through rounding.
_ALIKE = 1e-6


class Schedule:
    """The regular instants from `zero` to `end` (seconds of the clock), `end` excluded.

    `missed` counts instants that were let pass because the one before took too long: an overrun.
    """

    def __init__(self, zero: float, period: float, end: float) -> None:
        self.zero = zero
        self.period = period
        self.end = end
        self.missed = 0
        self._next = 0

    @property
    def instant(self) -> float:
        """The next regular instant."""
        return self.zero + self._next * self.period

    @property
    def done(self) -> bool:
        """Return whether no instant is left before the end."""
        return self.instant >= self.end - _ALIKE * self.period

    def taken(self, now: float) -> int:
        """Continue with the next instant that is still to come; return how many were missed.

        One that is less than a period late is still taken.
        """
        self._next += 1
        behind = math.floor((now - self.instant) / self.period + _ALIKE)
        if behind <= 0:
            return 0
        self._next += behind
        self.missed += behind
        return behind

    def skip_to(self, now: float) -> None:
        """Continue with the first instant at or after `now`: a pause is no overrun."""
        self._next = max(self._next, math.ceil((now - self.zero) / self.period - _ALIKE))


def next_multiple(since: float, every: float) -> float:
    """Return the first multiple of `every` that lies after `since`."""
    return (math.floor(since / every + _ALIKE) + 1) * every


@dataclass(frozen=True, slots=True)
class Pause:
    """A stretch without samples, from the instant of the last one: why, and whether the soak ends later for it."""

    start: float
    what: str
    text: str
    made_up: bool
    planned: bool = False


class SoakProgress:
    """The progress of one soak with a sample every `period` s.

    `last` is the instant of the last sample, or of the beginning; `stop` says why the soak ends before its end.
    """

    def __init__(self, period: float, duration: float, clock: Clock, recorder: SoakRecorder) -> None:
        self._period = period
        self._clock = clock
        self._recorder = recorder
        self._accounted = -math.inf  # up to here lost time has been made up for
        self._pause: Pause | None = None
        self.stop = ""
        self.begin_at(clock.now(), clock.now() + duration)

    def begin_at(self, zero: float, end: float) -> None:
        """Let the soak run from `zero` to `end`, instants of the clock."""
        self.schedule = Schedule(zero, self._period, end)
        self.last = zero

    def over(self) -> bool:
        """Return whether the soak is at its end, or stops before it."""
        return bool(self.stop) or self.schedule.done

    def since(self, instant: float) -> float:
        """Return an instant as seconds of the soak."""
        return round(instant - self.schedule.zero, 6)

    def pause(self, what: str, text: str, *, made_up: bool, planned: bool = False) -> None:
        """Begin a stretch without samples. One that is made up for makes the soak end later."""
        self._pause = Pause(self.last, what, text, made_up, planned)

    def unplanned(self) -> None:
        """Take back that the present pause is as planned: the unit did something of its own in it."""
        if self._pause is not None:
            self._pause = replace(self._pause, planned=False)

    def gap(self) -> None:
        """Keep the present pause as a gap that ends now, and continue with the first instant still to come.

        A pause is no overrun.
        """
        pause, end = self._pause, self._clock.now()
        assert pause is not None
        self._pause = None
        self.schedule.skip_to(end)
        start = max(pause.start, self._accounted)
        if pause.made_up:
            self.schedule.end += end - start
            self._accounted = end
        self._recorder.gap(
            SoakGap(
                slot=self._recorder.slot,
                start=self.since(start),
                end=self.since(end),
                what=pause.what,
                planned=pause.planned,
                text=pause.text,
                until=self.since(self.schedule.end),
            )
        )
