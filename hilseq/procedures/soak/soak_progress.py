"""How far a soak has come: its schedule, its last sample, the stretches without any, and why it stops early."""

from __future__ import annotations

import math

from hilseq.clock import Clock
from hilseq.procedures.soak.events import Events
from hilseq.procedures.soak.record import Recorder
from hilseq.procedures.soak.schedule import Schedule


class SoakProgress:
    """The course of one soak with a sample every `period` s.

    `last` is the instant of the last sample, or of the beginning; `stop` says why the soak ends before its end.
    """

    def __init__(
        self, period: float, duration: float, clock: Clock, events: Events, recorder: Recorder
    ) -> None:
        self._period = period
        self._clock = clock
        self._events = events
        self._recorder = recorder
        self._accounted = -math.inf  # up to here lost time has been made up for
        self.stop = ""
        self.begin_at(clock.now(), clock.now() + duration)

    def begin_at(self, zero: float, end: float) -> None:
        """Let the soak run from `zero` to `end`, instants of the clock."""
        self.schedule = Schedule(zero, self._period, end)
        self._events.zero = zero
        self.last = zero

    def over(self) -> bool:
        """Tell whether the soak is at its end, or stops before it."""
        return bool(self.stop) or self.schedule.done

    def since(self, instant: float) -> float:
        """Return an instant as seconds of the soak."""
        return round(instant - self.schedule.zero, 6)

    def stop_as_planned(self) -> None:
        """Stop if the plan says so after as many events as there were."""
        self.stop = self._events.enough() or self.stop

    def go_on_now(self) -> float:
        """Go on with the first instant that is still to come: a pause is no overrun. Return the present one."""
        now = self._clock.now()
        self.schedule.skip_to(now)
        return now

    def gap(self, start: float, what: str, text: str, *, planned: bool = False, made_up: bool) -> None:
        """Keep a gap from `start` to now; one that is made up for makes the soak end later."""
        end = self._clock.now()
        start = max(start, self._accounted)
        if made_up:
            self.schedule.end += end - start
            self._accounted = end
        self._events.forget()
        self._recorder.gap(
            {
                "start": self.since(start),
                "end": self.since(end),
                "what": what,
                "planned": planned,
                "text": text,
                "until": self.since(self.schedule.end),
            }
        )
