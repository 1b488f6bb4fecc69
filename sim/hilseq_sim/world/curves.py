"""Closed forms in time: an exponential approach, and when a curve first crosses a level."""

from __future__ import annotations

import math
from collections.abc import Callable

from hilseq_sim.world.timeline import NEVER

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
