"""The one source of time for every procedure: the wall clock, or the simulated stand's stepped clock.

Times are seconds since the clock's epoch, as floats; `moment` gives the same instant as a date for
people. Deadlines of instrument exchanges are always wall time, because a socket is always real;
deadlines of procedures (a unit must be ready within 4 s) are times of this clock.
"""

from __future__ import annotations

import os
import select
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Protocol


def nothing() -> None:
    """Do nothing: the tick of a clock that nobody watches."""


def compose(*ticks: Callable[[], None]) -> Callable[[], None]:
    """Return a tick that is all of these."""

    def all_of_them() -> None:
        for tick in ticks:
            tick()

    return all_of_them


class BusyPoll:
    """Looking again and again for a moment before going to sleep, where that pays.

    To be woken costs a process many times what a simulated instrument on the same computer needs to answer
    (tests/bench/bench_soak.py: three days of soak in two thirds of the time). Where it is in vain, as with
    hardware or on a busy computer, the next looks are left out, twice as many each time.
    """

    #: Longest look, s of wall time; and most looks left out in a row.
    LONGEST = 500e-6
    MOST_LEFT_OUT = 4096

    def __init__(self) -> None:
        alone = len(os.sched_getaffinity(0)) < 2 if hasattr(os, "sched_getaffinity") else False  # noqa: PLR2004
        self._penalty = 1
        self._left_out = 0
        self._never = alone

    def until(self) -> float:
        """Return the instant of `time.monotonic` up to which to look, 0 when not at all this time."""
        if self._never:
            return 0.0
        if self._left_out:
            self._left_out -= 1
            return 0.0
        return time.monotonic() + self.LONGEST

    def found(self) -> None:
        """Take note that looking was worth it."""
        if self._penalty > 1:
            self._penalty //= 2

    def in_vain(self) -> None:
        """Take note that looking was in vain."""
        self._penalty = min(2 * self._penalty, self.MOST_LEFT_OUT)
        self._left_out = self._penalty

    def receive(self, receive: Callable[[int], bytes], size: int) -> bytes | None:
        """Return what `receive` returns as soon as it does not raise BlockingIOError; None if it keeps on."""
        until = self.until()
        while until:
            try:
                data = receive(size)
            except BlockingIOError:
                if time.monotonic() < until:
                    continue
                self.in_vain()
                return None
            self.found()
            return data
        return None

    def sees(self, file: int) -> bool:
        """Return whether `file` can be read, as soon as it can or it is time to go to sleep."""

        def look(_: int) -> bytes:
            if not select.select([file], [], [], 0)[0]:
                raise BlockingIOError
            return b""

        return self.receive(look, 0) is not None


class Clock(Protocol):
    """What a procedure may ask about time."""

    #: Called wherever time passes: the run's heartbeat to its guard.
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

    def advance_async(self, instant: float) -> None:
        """Let time begin to pass towards `instant`, for which `sleep_until` waits; nothing is asked before.

        Real time passes by itself. A simulated stand advances meanwhile, and what is done until then costs nothing.
        """
        ...

    def account_wait(self, seconds: float) -> None:
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
        """Return a clock that continues where an earlier one with this epoch stopped, after `at_least` s."""
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

    def advance_async(self, instant: float) -> None:
        """Nothing to do: it passes by itself."""

    def account_wait(self, seconds: float) -> None:
        """Nothing to do: the wall clock ran on by itself."""

    def moment(self) -> datetime:
        """The date now."""
        return self._epoch + timedelta(seconds=self.now())
