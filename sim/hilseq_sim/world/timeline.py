"""Simulated time: jump from event to event, and do nothing in between."""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable

NEVER = math.inf


class Timeline:
    """The one clock of a world, s, and the events ahead of it.

    Time is summed with compensation (Kahan, "Further remarks on reducing truncation errors", 1965), so that
    many short steps end where one long step does.
    """

    __slots__ = ("_carry", "_count", "_heap", "_next", "now")

    def __init__(self) -> None:
        self.now = 0.0
        self._carry = 0.0
        self._next = NEVER
        self._heap: list[tuple[float, int, Timer]] = []
        self._count = 0

    def advance(self, seconds: float) -> None:
        """Live through `seconds`; raises ValueError when they are negative or not finite."""
        if not 0.0 <= seconds < NEVER:
            raise ValueError(f"time cannot advance by {seconds} s; expected zero or more")
        step = seconds - self._carry
        end = self.now + step
        carry = (end - self.now) - step
        if end >= self._next:
            self._run_until(end)
        self.now = max(end, self.now)
        self._carry = carry

    def _run_until(self, end: float) -> None:
        heap = self._heap
        while heap and heap[0][0] <= end:
            when, count, timer = heapq.heappop(heap)
            if timer.count == count:
                self.now = max(when, self.now)
                timer.fire()
        self._look_ahead()

    def _look_ahead(self) -> None:
        heap = self._heap
        while heap and heap[0][2].count != heap[0][1]:
            heapq.heappop(heap)
        self._next = heap[0][0] if heap else NEVER

    def push(self, when: float, timer: Timer) -> int:
        """Put a timer ahead; return the number that proves its entry valid."""
        self._count += 1
        heapq.heappush(self._heap, (when, self._count, timer))
        self._next = min(self._next, when)
        return self._count


class Timer:
    """One thing that will happen; starting it again moves it."""

    __slots__ = ("_action", "_timeline", "count", "when")

    def __init__(self, timeline: Timeline, action: Callable[[], None]) -> None:
        self._timeline = timeline
        self._action = action
        self.when = NEVER
        self.count = 0

    @property
    def running(self) -> bool:
        """Tell whether it is still ahead."""
        return self.count != 0

    def start(self, delay: float) -> None:
        """Let it happen `delay` seconds from now; an infinite delay stops it."""
        self.start_at(self._timeline.now + delay)

    def start_at(self, when: float) -> None:
        """Let it happen at a time, s; infinity stops it."""
        if when == NEVER:
            self.stop()
            return
        self.when = when
        self.count = self._timeline.push(when, self)

    def stop(self) -> None:
        """Let it not happen."""
        self.when = NEVER
        self.count = 0

    def fire(self) -> None:
        """Let it happen now; only the timeline calls this."""
        self.stop()
        self._action()
