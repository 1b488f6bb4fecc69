"""The unit's clock: it drifts, and a battery carries it without supply."""

from __future__ import annotations

from hilseq_sim.world.timeline import Timeline


class UnitClock:
    """Seconds of the unit: c(t) = c0 + (1 + drift)(t - t0). `drift` and `stopped` may be defects."""

    def __init__(self, timeline: Timeline, *, start: float, drift: float) -> None:
        self._timeline = timeline
        self._value = start
        self._since = timeline.now
        self.drift = drift
        self.stopped = 0
        self.not_kept = 0

    def now(self) -> float:
        """Time the clock shows, s."""
        if self.stopped:
            return self._value
        return self._value + (1.0 + self.drift) * (self._timeline.now - self._since)

    def anchor(self) -> None:
        """Keep what it shows before a parameter changes."""
        self._value = self.now()
        self._since = self._timeline.now

    def power_good(self, retained: bool) -> None:
        """Go on, or begin at zero when nothing has carried it."""
        if self.not_kept or not retained:
            self._value = 0.0
            self._since = self._timeline.now
