"""Starts of the unit during a soak: into its mode and under its load again; one that fails is an event."""

from __future__ import annotations

from hilseq.clock import Clock
from hilseq.description.profile import Mode
from hilseq.errors import UnitFault
from hilseq.procedures.soak.conditions import Conditions
from hilseq.procedures.soak.events import Events
from hilseq.procedures.soak.load import Load
from hilseq.procedures.soak.record import Incident
from hilseq.procedures.soak.soak_progress import SoakProgress
from hilseq.procedures.unit import Unit


class Starts:
    """Starts one unit into `mode`."""

    def __init__(
        self,
        unit: Unit,
        mode: Mode,
        *,
        load: Load,
        conditions: Conditions,
        events: Events,
        course: SoakProgress,
        clock: Clock,
    ) -> None:
        self._unit = unit
        self._mode = mode
        self._load = load
        self._conditions = conditions
        self._events = events
        self._course = course
        self._clock = clock

    def establish(self) -> None:
        """Bring the unit, powered and ready, into its mode and under its load. Raises UnitFault."""
        self._unit.make_ready()
        self._unit.modes.move_to(self._mode)
        self._conditions.restarted()
        self.command_load(self._course.since(self._clock.now()))

    def command_load(self, since: float) -> None:
        """Command the load's step at `since` seconds of the soak."""
        self._load.command(since)
        self._events.outputs_on = self._load.outputs_on

    def again(self, incident: Incident | None, off: float | None = None) -> None:
        """Switch off and on and bring the unit back; a start that fails is an event of its own.

        `incident` is the event after which it is started, if any, `off` how long it stays off, s.
        """
        while not self._course.stop:
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
                    self._course.stop_as_planned()
                return

    def failed(self, fault: UnitFault) -> Incident:
        """Make an event of a start that failed. Raises InstrumentReset where the stand had let go of its drives."""
        self._unit.check_drives()
        incident = self._events.did_not_start(self._clock.now(), fault)
        if self._events.enough():
            self._course.stop = f"the unit did not start again, {len(self._events.incidents)} events in all"
        return incident
