"""The load pattern on the outputs: which are on is worked out from the time, so that it never drifts."""

from __future__ import annotations

import math

from hilseq.clock import Clock
from hilseq.description.plans import Soak
from hilseq.description.profile import Mode
from hilseq.errors import UnitFault
from hilseq.procedures.soak.conditions import Conditions
from hilseq.procedures.unit import Unit

_ALIKE = 1e-6


def pattern(name: str, outputs: tuple[str, ...], step: int) -> tuple[str, ...]:
    """Return the outputs that are on in a step of a pattern."""
    match name:
        case "on":
            return outputs
        case "alternate":
            return outputs[step % 2 :: 2]
        case "walking" if outputs:
            return (outputs[step % len(outputs)],)
        case _:
            return ()


class Load:
    """Commands the pattern of one soak, and tells what to expect of it."""

    def __init__(self, unit: Unit, plan: Soak, conditions: Conditions, clock: Clock) -> None:
        self._unit = unit
        self._plan = plan
        self._conditions = conditions
        self._clock = clock
        self._step: int | None = None
        self._settle = max((point.settle for point in unit.profile.points.outputs.values()), default=0.0)
        self.outputs_on = 0

    def due(self, since: float) -> bool:
        """Tell whether the next step is due, `since` seconds after the soak began."""
        return math.floor(since / self._plan.pattern_period + _ALIKE) != self._step

    def command(self, since: float) -> None:
        """Command the step of this time."""
        self._step = math.floor(since / self._plan.pattern_period + _ALIKE)
        names = tuple(self._unit.outputs.names)
        if not names:
            return
        on = pattern(self._plan.pattern, names, self._step)
        self.outputs_on = len(on)
        try:
            self._unit.outputs.command(*on)
        except UnitFault:
            # The samples will say what is wrong with the link; the next one tries again.
            self._conditions.expect_outputs((), math.inf)
            self._step = None
            return
        driven = on if self._plan.mode == str(Mode.LIVE) else ()
        self._conditions.expect_outputs(driven, self._clock.now() + self._settle - _ALIKE)
