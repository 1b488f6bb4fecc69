"""The stand's own troubles during a soak: safe first, then back to work; nothing of it is said of the unit."""

from __future__ import annotations

import math
from collections.abc import Callable

from hilseq.description.plans import Soak
from hilseq.errors import Interlock, NotPerformed, StandFault, UnitFault
from hilseq.procedures.bench import Bench
from hilseq.procedures.soak.events import Events
from hilseq.procedures.soak.record import Recorder
from hilseq.procedures.soak.recovery import LONGEST_PAUSE, LOST, Recovery, make_safe
from hilseq.procedures.soak.sampler import Sampler
from hilseq.procedures.soak.soak_progress import SoakProgress
from hilseq.procedures.soak.starts import Starts
from hilseq.procedures.soak.traffic import Traffic
from hilseq.procedures.unit import Unit
from hilseq.procedures.wiring import Wiring
from hilseq.quantities import show_duration

#: StandRecovery in a row that are met, and samples without one that end the row.
MOST, _LASTING = 5, 10.0


class StandRecovery:
    """Meets what the stand of one soak does wrong."""

    def __init__(
        self,
        bench: Bench,
        unit: Unit,
        plan: Soak,
        *,
        recorder: Recorder,
        events: Events,
        course: SoakProgress,
        starts: Starts,
        sampler: Sampler,
        traffic: Traffic,
    ) -> None:
        self._bench = bench
        self._unit = unit
        self._clock = bench.clock
        self._recorder = recorder
        self._events = events
        self._course = course
        self._starts = starts
        self._sampler = sampler
        self._traffic = traffic
        self._recovery = Recovery(bench, unit, sampler.signals)
        self._lasting = max(_LASTING * plan.period, 2.0 * plan.traffic_period)
        self._back_at = -math.inf  # when the stand last came back from a trouble
        self._in_a_row = 0

    def guarded(self, act: Callable[[], None]) -> None:
        """Do one step; what the stand does wrong is met here, and never said of the unit.

        Raises StandFault, with the slot safe, for what waiting does not mend.
        """
        trouble: StandFault | None = None
        try:
            act()
        except (Interlock, *LOST) as fault:
            trouble = fault
        start = self._course.last
        while trouble is not None:
            # Coming back may meet the next trouble.
            trouble = self._met(trouble, start)

    def _met(self, trouble: StandFault, start: float) -> StandFault | None:
        """Meet one trouble of the stand and bring the unit back; return the next one, if that met any.

        Raises StandFault, with the slot safe, when it comes again and again.
        """
        self._traffic.close()
        self._count(trouble)
        if isinstance(trouble, Interlock):
            what = "interlock"
            self._latched(trouble)
        else:
            what = "instrument lost"
            self._recorder.note(what, f"{trouble}; policy: {self._recovery.policy}")
            if self._events.open is not None:
                self._events.close(cut_off=True)
            self._recovery.wait(trouble)
            self._recorder.note("instrument back", f"after {show_duration(self._clock.now() - start)}")
        lost = not isinstance(trouble, Interlock)
        try:
            self._come_back(patience=self._bench.stand.safety.reconnect_timeout if lost else 0.0)
        except (Interlock, *LOST) as again:
            return again
        self._back_at = self._course.go_on_now()
        self._course.gap(start, what, str(trouble), made_up=True)
        return None

    def _count(self, trouble: StandFault) -> None:
        """An instrument that is back and fails again at once is not back: the unit is not cycled for ever."""
        again = self._clock.now() - self._back_at < self._lasting
        self._in_a_row = self._in_a_row + 1 if again else 1
        if self._in_a_row > MOST:
            unsafe = make_safe(self._bench, self._unit.slot)
            raise StandFault(
                f"{trouble}; it came back and failed again {MOST} times in a row"
                + (f"; {unsafe}" if unsafe else ""),
                place=trouble.places[0] if trouble.places else None,
            ) from trouble

    def _latched(self, breach: Interlock) -> None:
        """Safe first; then nothing goes on until a person has acknowledged."""
        unsafe = make_safe(self._bench, self._unit.slot)
        self._recorder.note("interlock", f"{breach}; {unsafe or 'the slot is safe'}")
        if self._events.open is not None:
            self._events.close(cut_off=True)
        request = f"{breach}. The slot is off. Put it right and acknowledge."
        try:
            self._bench.operator.act(request, self._bench.stand.operator.timeout)
        except NotPerformed:
            raise breach from None
        self._recorder.note("interlock acknowledged", "by the person at the stand")

    def _come_back(self, *, patience: float) -> None:
        """Bring the unit back into its mode after the stand failed.

        Its link may come back later than the instruments do: silence is waited for as long as `timeout`, s.
        """
        if not self._unit.supply.is_on:
            self._unit.supply.prepare()
            self._bench.signals.release(Wiring(self._bench.stand, self._unit.slot).drives())
            self._unit.modes.prepare()
        until = self._clock.now() + patience
        while True:
            try:
                self._starts.establish()
            except UnitFault as refused:
                if self._clock.now() < until and self._sampler.take().silence:
                    self._clock.sleep(LONGEST_PAUSE)
                    continue
                self._starts.again(self._starts.failed(refused))
            return
