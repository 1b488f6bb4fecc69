"""The unit into its mode and under its load: at the beginning, after a power cycle, after a trouble.

The load pattern is worked out from the time, so that it never drifts. A start that fails is an event.
"""

from __future__ import annotations

import math

from hilseq.clock import Clock
from hilseq.description.plans import Soak
from hilseq.description.profile import Mode
from hilseq.errors import UnitFault
from hilseq.journal.run_state import Incident
from hilseq.procedures.soak.conditions import SoakConditions
from hilseq.procedures.soak.events import Events
from hilseq.procedures.soak.progress import SoakProgress
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

    def __init__(self, unit: Unit, plan: Soak, conditions: SoakConditions, clock: Clock) -> None:
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
        self._conditions.expect_outputs(
            driven, self._clock.now() + self._settle + self._unit.outputs.lag - _ALIKE
        )


class Starts:
    """Starts one unit into the mode of its plan."""

    def __init__(
        self,
        unit: Unit,
        mode: Mode,
        *,
        load: Load,
        conditions: SoakConditions,
        events: Events,
        progress: SoakProgress,
        clock: Clock,
    ) -> None:
        self._unit = unit
        self._mode = mode
        self._load = load
        self._conditions = conditions
        self._events = events
        self._progress = progress
        self._clock = clock

    def establish(self) -> None:
        """Bring the unit, powered and ready, into its mode and under its load. Raises UnitFault."""
        self._unit.make_ready()
        self._unit.modes.move_to(self._mode)
        self._conditions.restarted()
        self.command_load(self._progress.since(self._clock.now()))

    def command_load(self, since: float) -> None:
        """Command the load's step at `since` seconds of the soak."""
        self._load.command(since)
        self._events.outputs_on = self._load.outputs_on

    def again(self, incident: Incident | None, off: float | None = None) -> bool:
        """Switch off and on and bring the unit back; a start that fails is an event of its own.

        `incident` is the event after which it is started, if any, `off` how long it stays off, s. Return whether
        the unit runs: the plan may stop after so many events.
        """
        while not self._progress.stop:
            try:
                self._unit.supply.cycle(off)
                self._unit.wait_until_ready()
                self.establish()
                if incident is not None:
                    self._events.look_again(incident, self._clock.now())
            except UnitFault as fault:
                incident = self.failed(fault)
            else:
                if incident is None and self._events.look_after_start(self._clock.now()):
                    self._progress.unplanned()
                    self._progress.stop = self._events.enough()
                return True
        return False

    def failed(self, fault: UnitFault) -> Incident:
        """Make an event of a start that failed. Raises InstrumentReset where the stand had let go of its drives."""
        self._unit.check_drives()
        incident = self._events.did_not_start(self._clock.now(), fault)
        self._progress.unplanned()
        if self._events.enough():
            self._progress.stop = f"the unit did not start again, {len(self._events.incidents)} events in all"
        return incident
