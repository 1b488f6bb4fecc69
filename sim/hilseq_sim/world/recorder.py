"""The waveform memory of a supply: the current at even intervals from the moment its output is switched on."""

from __future__ import annotations

from collections.abc import Callable

from hilseq_sim.world.timeline import Timeline, Timer

#: Interval, s, and number of readings until a client sets others; and how many the memory holds.
INTERVAL, POINTS = 1e-3, 100
MOST_POINTS = 4096


class Recorder:
    """Armed, it takes `points` readings, one every `interval` s, beginning with the next trigger."""

    def __init__(self, timeline: Timeline, read: Callable[[], float]) -> None:
        self._timeline = timeline
        self._read = read
        self.interval = INTERVAL
        self.points = POINTS
        self._armed = False
        self._begun = 0.0
        self._taken: list[float] = []
        self._timer = Timer(timeline, self._take)

    def arm(self) -> None:
        """Forget the last record and wait for the trigger."""
        self._timer.stop()
        self._taken = []
        self._armed = True

    def trigger(self) -> None:
        """Begin the record, if armed."""
        if self._armed:
            self._armed = False
            self._begun = self._timeline.now
            self._timer.start(0.0)

    def record(self) -> list[float] | None:
        """Return the readings, A; None while the record is not whole."""
        return self._taken if len(self._taken) == self.points else None

    def _take(self) -> None:
        self._taken.append(self._read())
        if len(self._taken) < self.points:
            # Counted from the beginning, so that no rounding adds up.
            self._timer.start_at(self._begun + len(self._taken) * self.interval)
