"""Digital inputs: thresholds after IEC 61131-2, hysteresis, input filter.

Type 1: state 0 up to 5 V, state 1 from 15 V; types 2 and 3: state 0 up to 5 V, state 1 from 11 V, at 24 V
rated (check values 3.4 to 3.6). The threshold of a good input lies between, wherever the part has it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping

from hilseq_sim.world.timeline import NEVER, Timeline, Timer

#: Rated voltage of the standard's table, V.
RATED = 24.0
#: By type: largest voltage of state 0 and smallest of state 1, V.
BANDS: Mapping[int, tuple[float, float]] = {1: (5.0, 15.0), 2: (5.0, 11.0), 3: (5.0, 11.0)}
#: A in state 1: what an input draws through the wire and the relay that drive it.
INPUT_CURRENT = 2.5e-3


class Input:
    """One input. The counters and shifts are defects; 0 in a good unit."""

    def __init__(self, name: str, *, threshold: float, hysteresis: float) -> None:
        self.name = name
        self.threshold = threshold
        self.hysteresis = hysteresis
        self.volts = 0.0
        self.state = False
        self.due = NEVER
        self.stuck_on = 0
        self.stuck_off = 0
        self.extra_delay = 0.0


class InputBank:
    """All inputs of one unit."""

    def __init__(self, timeline: Timeline, inputs: Iterable[Input], *, filter_time: float) -> None:
        self._timeline = timeline
        self.inputs = {point.name: point for point in inputs}
        self._filter_time = filter_time
        #: Pairs (a, b) where b also sees the voltage at a.
        self.sees: Counter[tuple[str, str]] = Counter()
        self._timer = Timer(timeline, self._switch)

    def drive(self, name: str, volts: float) -> None:
        """Put a voltage on a terminal; the state follows after the filter time."""
        self.inputs[name].volts = volts
        self.refresh()

    def state(self, name: str) -> bool:
        """Tell what the unit reports for an input."""
        return self.inputs[name].state

    def reporter(self, name: str) -> Callable[[], float]:
        """Return a quick reader of one input's state, as 0 or 1."""
        point = self.inputs[name]
        return lambda: 1.0 if point.state else 0.0

    def refresh(self) -> None:
        """Follow a defect or a new voltage."""
        now = self._timeline.now
        for point in self.inputs.values():
            if self._wanted(point) == point.state:
                point.due = NEVER
            elif point.due == NEVER:
                point.due = now + self._filter_time + point.extra_delay
        self._plan()

    def _wanted(self, point: Input) -> bool:
        if point.stuck_on:
            return True
        if point.stuck_off:
            return False
        volts = point.volts
        for (seen, by), count in self.sees.items():
            if count > 0 and by == point.name:
                volts = max(volts, self.inputs[seen].volts)
        edge = 0.5 * point.hysteresis
        return volts > (point.threshold - edge if point.state else point.threshold + edge)

    def _switch(self) -> None:
        now = self._timeline.now
        for point in self.inputs.values():
            if point.due <= now:
                point.state = not point.state
                point.due = NEVER
        self._plan()

    def _plan(self) -> None:
        self._timer.start_at(min((point.due for point in self.inputs.values()), default=NEVER))
