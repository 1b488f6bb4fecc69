"""An instrument that loses its mains for a moment, again and again: a defect of the stand."""

from __future__ import annotations

from collections.abc import Callable

from hilseq_sim.world.timeline import Timeline, Timer

#: s between two moments without mains.
EVERY = 60.0


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
        self._timer.start(EVERY)
