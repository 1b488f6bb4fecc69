"""The one source of time for every procedure: the wall clock, or the simulated stand's stepped clock.

Times are seconds since the clock's epoch, as floats; `moment` gives the same instant as a date for
people. Deadlines of instrument exchanges are always wall time, because a socket is always real;
deadlines of procedures (a unit must be ready within 4 s) are times of this clock.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Protocol


def nothing() -> None:
    """Do nothing: the tick of a clock that nobody watches."""


class Clock(Protocol):
    """What a procedure may ask about time."""

    #: Called wherever time passes: the run's sign of life to its guard.
    tick: Callable[[], None]

    def now(self) -> float:
        """Seconds since the epoch of this clock."""
        ...

    def sleep(self, seconds: float) -> None:
        """Let `seconds` pass."""
        ...

    def sleep_until(self, instant: float) -> None:
        """Let time pass until `instant` (seconds since the epoch); at once when it is already past."""
        ...

    def spent(self, seconds: float) -> None:
        """Count wall time that an exchange waited in vain. The wall clock already has."""
        ...

    def moment(self) -> datetime:
        """The present instant as an aware date, UTC."""
        ...


class WallClock:
    """Real time.

    Monotonic for durations; the date is taken once, so that a time correction of the computer cannot bend a soak.
    """

    #: Longest sleep without a tick, s.
    SLICE = 0.5

    def __init__(self) -> None:
        self.tick = nothing
        self._zero = time.monotonic()
        self._epoch = datetime.now(UTC)

    @classmethod
    def since(cls, epoch: datetime, *, at_least: float) -> WallClock:
        """Return a clock that goes on where an earlier one with this epoch broke off, after `at_least` s."""
        clock = cls()
        passed = max((clock._epoch - epoch).total_seconds(), at_least)
        clock._zero -= passed
        clock._epoch = epoch
        return clock

    def now(self) -> float:
        """Seconds since this clock was made."""
        return time.monotonic() - self._zero

    def sleep(self, seconds: float) -> None:
        """Sleep for real."""
        end = time.monotonic() + seconds
        while (rest := end - time.monotonic()) > 0:
            self.tick()
            time.sleep(min(rest, self.SLICE))

    def sleep_until(self, instant: float) -> None:
        """Sleep until the instant."""
        self.sleep(instant - self.now())

    def spent(self, seconds: float) -> None:
        """Nothing to do: the wall clock ran on by itself."""

    def moment(self) -> datetime:
        """The date now."""
        return self._epoch + timedelta(seconds=self.now())
