"""When an I/O simulator looks: snapshots at scan instants, sensors that lag, and what was there before a change.

A real I/O copies all it senses into its registers once a scan, a little early or late; what a client reads is that
snapshot. A lamp sensor shows a lamp later, a filter before an analog channel rounds its steps off:
y(t) = x(t) + sum of (x_before - x_after) e^(-(t - t_change)/tau) over the recent changes. Nothing is stepped from scan
to scan: the world is asked for its present state unless it changed after the instant that counts, and for that the
states before recent changes are kept.

Jitter and noise are a function of seed, name and number of the scan, so that nobody's asking changes what another
one reads.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from hashlib import blake2b

from hilseq_sim.world.timeline import Timeline

#: Time constants after which a filter has settled, to a millionth.
SETTLED_AFTER = 14.0
_WORD = 2.0**32


class Chance:
    """Numbers from 0 to 1 by the number of a scan or an answer; the same seed and name give the same ones."""

    def __init__(self, seed: int, *name: str) -> None:
        self._hash = blake2b(f"{seed}/{'/'.join(name)}".encode(), digest_size=8)

    def two(self, number: int) -> tuple[float, float]:
        """Return two independent numbers."""
        hashed = self._hash.copy()
        hashed.update(number.to_bytes(8, "little", signed=True))
        bits = int.from_bytes(hashed.digest(), "little")
        return (bits & 0xFFFFFFFF) / _WORD, (bits >> 32) / _WORD


class History:
    """What was at the terminals of an I/O simulator before each recent change of the world."""

    def __init__(self, timeline: Timeline) -> None:
        self._timeline = timeline
        self._sources: list[Callable[[], float]] = []
        self._before: deque[tuple[float, list[float]]] = deque()
        #: Called before any source is read.
        self.looks: list[Callable[[], None]] = []
        #: s for which a change is remembered.
        self.window = 0.0

    def add(self, source: Callable[[], float]) -> int:
        """Remember a true value from now on; return its place."""
        self._sources.append(source)
        return len(self._sources) - 1

    def note(self) -> None:
        """Keep the present values: the world is about to change."""
        now, before = self._timeline.now, self._before
        if not self.window or (before and before[-1][0] == now):
            return
        self._forget(now)
        for look in self.looks:
            look()
        before.append((now, [source() for source in self._sources]))

    def _forget(self, now: float) -> None:
        before = self._before
        while before and before[0][0] < now - self.window:
            before.popleft()

    def recent(self) -> bool:
        """Tell whether anything is remembered that may still count."""
        self._forget(self._timeline.now)
        return bool(self._before)

    def at(self, place: int, instant: float) -> float:
        """Return the value at an instant, s, within the window."""
        for when, values in self._before:
            if when > instant:
                return values[place]
        return self._sources[place]()

    def filtered(self, place: int, instant: float, tau: float) -> float:
        """Return the value at an instant behind a first order filter of time constant `tau`, s."""
        present = self.at(place, instant)
        after, sum_of_rests = present, 0.0
        for when, values in reversed(self._before):
            if when <= instant:
                sum_of_rests += (values[place] - after) * math.exp((when - instant) / tau)
                after = values[place]
        return present + sum_of_rests


class Scan:
    """The scan of one I/O simulator, s: instants `phase + n period`, each early or late by up to `jitter` periods."""

    def __init__(self, name: str, seed: int, period: float, jitter: float) -> None:
        self.period = period
        self.jitter = min(jitter, 0.4)
        #: Age of the oldest snapshot that is ever read, s.
        self.longest = period * (1.0 + 2.0 * self.jitter)
        self._chance = Chance(seed, "scan", name)
        self._phase = self._chance.two(-1)[0] * period

    def _instant(self, number: int) -> float:
        early = 2.0 * self._chance.two(number)[0] - 1.0
        return self._phase + (number + early * self.jitter) * self.period

    def latest(self, now: float) -> tuple[int, float]:
        """Return number and instant of the last scan that is not after `now`."""
        number = math.floor((now - self._phase) / self.period) + 1
        while (instant := self._instant(number)) > now:
            number -= 1
        return number, instant
