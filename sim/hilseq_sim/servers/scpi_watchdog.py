"""The watchdog of a supply's interface: outputs go off when the instrument hears nothing for too long.

Real time, whatever the clock of the world: it watches the line and not the load. SCPI-1999 knows no command
for it; the stand file says how it is set.
"""
# ruff: noqa: ARG001 - all commands take the same three arguments, whether they need them or not

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable, Sequence

from hilseq_sim.servers import scpi_numbers
from hilseq_sim.servers.scpi_commands import Answer, InstrumentOutput, InstrumentState
from hilseq_sim.servers.scpi_numbers import written

#: Times it can be set to, s.
TIMES = (1.0, 3600.0)


def set_watchdog(state: InstrumentState, output: InstrumentOutput, parameters: Sequence[str]) -> Answer:
    """Set the silence after which the output goes off, in seconds, and begin to watch."""
    output.watchdog = scpi_numbers.level(parameters[0], "S", *TIMES, TIMES[1])
    return None


def watchdog(state: InstrumentState, output: InstrumentOutput, _: Sequence[str]) -> Answer:
    """Answer that time, in seconds; 0 while nothing is watched."""
    return written(output.watchdog)


def clear_watchdog(state: InstrumentState, output: InstrumentOutput, _: Sequence[str]) -> Answer:
    """Watch no more."""
    output.watchdog = 0.0
    return None


class Watchdog:
    """Watches one instrument. `after(seconds, callback)` calls back later, `catch_up` lets the world live until now."""

    def __init__(
        self,
        outputs: Iterable[InstrumentOutput],
        after: Callable[[float, Callable[[], None]], None],
        catch_up: Callable[[], None],
    ) -> None:
        self._outputs = tuple(outputs)
        self._after = after
        self._catch_up = catch_up
        self._heard_at = time.monotonic()
        self._next_look = math.inf

    def heard(self) -> None:
        """Take note that the instrument was spoken to."""
        self._heard_at = time.monotonic()
        self._wait()

    def _wait(self) -> None:
        due = self._heard_at + min((o.watchdog for o in self._outputs if o.watchdog), default=math.inf)
        if due < self._next_look:
            self._next_look = due
            self._after(max(0.0, due - time.monotonic()), self._look)

    def _look(self) -> None:
        self._next_look = math.inf
        silence = time.monotonic() - self._heard_at
        for output in self._outputs:
            if output.watchdog and silence >= output.watchdog:
                self._catch_up()
                output.view.output = False
                output.watchdog = 0.0
        self._wait()
