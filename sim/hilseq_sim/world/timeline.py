"""Simulated time: jump from event to event in closed form, and do nothing in between.

Curves are exponential approaches whose crossings are worked out, so that no result depends on the size of a step.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable

from hilseq.clock import nothing

NEVER = math.inf


class Timeline:
    """The one clock of a world, s, and the events ahead of it.

    Time is summed with compensation (Kahan, "Further remarks on reducing truncation errors", 1965), so that
    many short steps end where one long step does.
    """

    __slots__ = ("_carry", "_count", "_heap", "_next", "changing", "memory", "now")

    def __init__(self) -> None:
        self.now = 0.0
        self._carry = 0.0
        self._next = NEVER
        self._heap: list[tuple[float, int, Timer]] = []
        self._count = 0
        #: Called before anything changes that may be read within `memory` s afterwards (`scan.History`).
        self.changing: Callable[[], None] = nothing
        self.memory = 0.0

    def advance(self, seconds: float) -> None:
        """Live through `seconds`; raises ValueError when they are negative or not finite."""
        if not 0.0 <= seconds < NEVER:
            raise ValueError(f"time cannot advance by {seconds} s; expected zero or more")
        step = seconds - self._carry
        end = self.now + step
        carry = (end - self.now) - step
        self.advance_to(end)
        self._carry = carry

    def advance_to(self, instant: float) -> None:
        """Live on until an instant, s; one that is over already is no matter."""
        if instant >= self._next:
            self._run_until(instant)
        self.now = max(instant, self.now)
        self._carry = 0.0

    def _run_until(self, end: float) -> None:
        heap = self._heap
        while heap and heap[0][0] <= end:
            when, count, timer = heapq.heappop(heap)
            if timer.count == count:
                self.now = max(when, self.now)
                if end - when < self.memory:
                    self.changing()
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
        """Return whether it is still ahead."""
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


#: Points at which a curve that is no plain exponential is looked at for a crossing.
_LOOKS = 48
#: Time constants after which an exponential counts as settled (e^-40 is below 1e-17).
SETTLED = 40.0


class Approach:
    """First order approach to a target: y(t) = target + (start - target) e^(-(t - t0)/tau).

    63.2 % of the way after one time constant, 10..90 % in ln 9 tau (check values 9.4, 9.5).
    """

    __slots__ = ("_since", "_start", "target", "tau")

    def __init__(self, value: float, tau: float) -> None:
        self._start = value
        self._since = 0.0
        self.target = value
        self.tau = tau

    def at(self, now: float) -> float:
        """Value at a time, s."""
        gap = self._start - self.target
        if gap == 0.0:
            return self.target
        return self.target + gap * math.exp((self._since - now) / self.tau)

    def aim(self, target: float, now: float) -> None:
        """Approach another target from where the value is now."""
        self._start = self.at(now)
        self._since = now
        self.target = target


def exponential_crossing(start: float, target: float, tau: float, level: float) -> float:
    """Time until start + (target - start)(1 - e^(-t/tau)) reaches `level`.

    t = tau ln((start - target)/(level - target)). Infinite when it never does; 0 when it is there already.
    """
    if start == level:
        return 0.0
    if (start < level) == (target <= level) or start == target:
        return NEVER
    return tau * math.log((start - target) / (level - target))


def first_crossing(curve: Callable[[float], float], horizon: float, finest: float) -> float:
    """Time at which `curve` first turns positive in (0, horizon]; infinite if it does not.

    Looks at geometrically spaced points from `finest` to `horizon`, then bisects to the last bit. A curve
    that is positive at the first look is there at once.
    """
    if horizon <= 0.0:
        return NEVER
    ratio = (horizon / finest) ** (1.0 / _LOOKS) if horizon > finest else 1.0
    low, high = 0.0, min(finest, horizon)
    for _ in range(_LOOKS + 1):
        if curve(high) > 0.0:
            return bisect(curve, low, high)
        if high >= horizon:
            return NEVER
        low, high = high, min(high * ratio, horizon)
    return bisect(curve, low, horizon) if curve(horizon) > 0.0 else NEVER


def bisect(curve: Callable[[float], float], low: float, high: float) -> float:
    """Root of a curve that is not positive at `low` and positive at `high`, halved down to the last bit."""
    while True:
        middle = 0.5 * (low + high)
        if not low < middle < high:
            return high
        if curve(middle) > 0.0:
            high = middle
        else:
            low = middle


#: s between two moments without mains.
MAINS_LOST_EVERY = 60.0


class Mains:
    """Calls `lost` at once and each minute while the defect is there."""

    def __init__(self, timeline: Timeline, lost: Callable[[], None]) -> None:
        self._timer = Timer(timeline, self._lose)
        self._lost = lost

    def follow(self, failing: float) -> None:
        """Follow a defect: above 0 the mains fails."""
        if not failing:
            self._timer.stop()
        elif not self._timer.running:
            self._lose()

    def _lose(self) -> None:
        self._lost()
        self._timer.start(MAINS_LOST_EVERY)
