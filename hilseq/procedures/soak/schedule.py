"""The instants of a soak: zero + k * period, computed from k, so that three days do not drift."""

from __future__ import annotations

import math

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
        """Tell whether no instant is left before the end."""
        return self.instant >= self.end - _ALIKE * self.period

    def taken(self, now: float) -> int:
        """Go on to the next instant that is still to come; return how many were missed.

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
        """Go on to the first instant at or after `now`: a pause is no overrun."""
        self._next = max(self._next, math.ceil((now - self.zero) / self.period - _ALIKE))


def next_multiple(since: float, every: float) -> float:
    """Return the first multiple of `every` that lies after `since`."""
    return (math.floor(since / every + _ALIKE) + 1) * every
