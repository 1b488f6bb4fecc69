"""The stand's own troubles during a soak: safe first, then back to work; nothing of it concerns the unit.

A lost instrument is waited for, safe or held meanwhile, and tried again with bounded back-off, for so long.
Then, as at the beginning and after a power cycle, the unit goes into its mode and under its load: the pattern is
worked out from the time, so that it never drifts; a start that fails is an event.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from hilseq.analysis.limits import Limits
from hilseq.clock import Clock
from hilseq.description.plans import Soak
from hilseq.description.profile import Mode
from hilseq.errors import (
    HilseqError,
    InstrumentError,
    InstrumentReset,
    InstrumentTimeout,
    Interlock,
    InvalidResponse,
    NotPerformed,
    NotSafe,
    StandFault,
    UnitFault,
    WrongInstrument,
)
from hilseq.journal.run_state import Incident
from hilseq.procedures.bench import Bench
from hilseq.procedures.soak.conditions import SoakConditions
from hilseq.procedures.soak.extremes import Extreme
from hilseq.procedures.soak.looks import Looks
from hilseq.procedures.soak.record import SoakProgress
from hilseq.procedures.soak.sampler import Sampler
from hilseq.procedures.soak.states import Event
from hilseq.procedures.soak.traffic import Traffic
from hilseq.procedures.unit import Unit
from hilseq.procedures.wiring import SlotWiring
from hilseq.quantities import show_duration

if TYPE_CHECKING:
    from hilseq.procedures.soak.events import Events

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
        """Return whether the next step is due, `since` seconds after the soak began."""
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
        except UnitFault as fault:
            if not fault.places or not set(fault.places) <= set(names):
                # The samples will say what is wrong with the link; the next one tries again.
                self._conditions.expect_outputs((), math.inf)
                self._step = None
                return
            # It was commanded, and some outputs do not follow: the samples show what comes of that.
        driven = on if self._plan.mode == str(Mode.LIVE) else ()
        self._conditions.expect_outputs(
            driven, self._clock.now() + self._settle + self._unit.outputs.lag - _ALIKE
        )


def current_after_cycle(unit: Unit) -> Extreme | None:
    """Measure the current of a unit that has just started, outputs off; None where the profile claims none."""
    start, mode = unit.profile.start, unit.modes.reported()
    claimed = {unit.profile.modes.at_start: start.idle_current, Mode.LIVE: start.live_current}.get(mode)
    if claimed is None:
        return None
    limits = Limits(claimed.low, claimed.high)
    return Extreme(f"current {mode} after a power cycle", unit.supply.current(), limits, "supply")


class Starts:
    """Starts one unit into the mode of its plan."""

    def __init__(
        self,
        unit: Unit,
        mode: Mode,
        *,
        looks: Looks,
        load: Load,
        conditions: SoakConditions,
        events: Events,
        progress: SoakProgress,
        clock: Clock,
    ) -> None:
        self._unit = unit
        self._mode = mode
        self._looks = looks
        self._load = load
        self._conditions = conditions
        self._events = events
        self._progress = progress
        self._clock = clock

    def establish(self) -> None:
        """Bring the unit, powered and ready, into its mode and under its load. Raises UnitFault."""
        self._looks.begin_anew()
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
                self._require_self_test()
                outside = self._current_outside() if off is not None and incident is None else ""
                self.establish()
                if incident is not None:
                    self._events.look_again(incident, self._clock.now())
            except UnitFault as fault:
                incident = self.failed(fault)
            else:
                now = self._clock.now()
                if incident is None and (
                    self._events.look_after_start(now) | self._events.current_was_outside(now, outside)
                ):
                    self._progress.unplanned()
                    self._progress.stop = self._events.enough()
                return True
        return False

    def _current_outside(self) -> str:
        """Measure the current after a planned start; say how it lies outside its limits, empty where not surely."""
        seen = current_after_cycle(self._unit)
        if seen is None:
            return ""
        self._conditions.extremes.note(seen)
        if not seen.fails(self._conditions.rule):
            return ""
        low, high = (1e3 * (end or 0.0) for end in (seen.limits.low, seen.limits.high))
        drawn = f"outputs off, the {seen.name} is {1e3 * seen.measured.value:.4g} mA"
        return f"{drawn}, limits {low:.4g} to {high:.4g} mA"

    def _require_self_test(self) -> None:
        if self._unit.self_test():
            raise UnitFault("started again, its self-test failed", place="self-test")

    def failed(self, fault: UnitFault) -> Incident:
        """Make an event of a start that failed. Raises InstrumentReset where the stand had let go of its drives."""
        self._unit.check_drives()
        incident = self._events.did_not_start(self._clock.now(), fault)
        self._progress.unplanned()
        if self._events.enough():
            self._progress.stop = f"the unit did not start again, {len(self._events.incidents)} events in all"
        return incident


#: Faults of the stand in a row that are recovered from, and samples without one that end the row.
MOST, _LASTING = 5, 10.0
#: Pauses between two attempts to reach a lost instrument, s of the clock.
FIRST_PAUSE, LONGEST_PAUSE = 1.0, 30.0
#: Faults that waiting may mend.
LOST = (InstrumentTimeout, InvalidResponse, InstrumentError, InstrumentReset)


def make_safe(bench: Bench, slot: str) -> str:
    """Make a slot safe; return why that could not be verified, or an empty text."""
    try:
        bench.make_safe(slot)
    except NotSafe as error:
        return str(error)
    return ""


class Recovery:
    """Brings back the instruments of one slot. `signals` are those that must be read again."""

    def __init__(self, bench: Bench, unit: Unit, signals: tuple[str, ...]) -> None:
        self._bench = bench
        self._unit = unit
        self._signals = signals
        self._clock: Clock = bench.clock.plain
        self._unsafe = ""
        self._supply_off = True

    @property
    def policy(self) -> str:
        """What the stand file says about lost instruments: `make safe` or `hold`."""
        return self._bench.stand.safety.lost_instrument

    def wait(self, fault: StandFault) -> None:
        """Make safe or hold, then try until every instrument is back.

        Raises StandFault, with the slot as safe as can be, when that takes longer than the stand file's
        patience, and at once for what waiting does not mend.
        """
        hold, patience = self.policy == "hold", self._bench.stand.safety.reconnect_timeout
        self._unsafe = "" if hold else make_safe(self._bench, self._unit.slot)
        self._supply_off = not self._unsafe
        until, pause = self._clock.now() + patience, FIRST_PAUSE
        reason: HilseqError = fault
        while self._clock.now() < until:
            self._clock.sleep(pause)
            pause = min(2 * pause, LONGEST_PAUSE)
            try:
                self._attempt(hold=hold)
            except (Interlock, WrongInstrument):
                make_safe(self._bench, self._unit.slot)
                raise
            except StandFault as again:
                reason = again
                self._clock.account_wait(self._unit.supply.instrument.description.deadline)
            else:
                return
        unsafe = make_safe(self._bench, self._unit.slot)
        raise StandFault(
            f"{reason}; it did not come back within {show_duration(patience)}"
            + (f"; {unsafe}" if unsafe else ""),
            places=fault.places[:1],
        )

    def _attempt(self, *, hold: bool) -> None:
        """Ask every instrument whether it is there, and is as it was left. Raises StandFault."""
        supply = self._unit.supply.instrument
        supply.identify()
        if not self._supply_off:
            # The one thing that must not wait for the others.
            supply.power_off()
            self._supply_off = True
        if hold and not supply.is_on():
            # It was rebooted meanwhile: nothing of what was set can be counted on.
            self._unit.supply.powered_since = None
        self._bench.signals.snapshot(self._signals)
        if self._unsafe:
            self._unsafe = make_safe(self._bench, self._unit.slot)
            if self._unsafe:
                raise NotSafe(self._unsafe)


class StandRecovery:
    """Meets what the stand of one soak does wrong. `move` moves the states of the soak."""

    def __init__(
        self,
        bench: Bench,
        unit: Unit,
        plan: Soak,
        *,
        progress: SoakProgress,
        starts: Starts,
        sampler: Sampler,
        traffic: Traffic,
        move: Callable[[Event, Any], None],
    ) -> None:
        self._bench = bench
        self._unit = unit
        self._clock = bench.clock.plain
        self._progress = progress
        self._starts = starts
        self._sampler = sampler
        self._traffic = traffic
        self._move = move
        self._recovery = Recovery(bench, unit, sampler.signals)
        self._lasting = max(_LASTING * plan.period, 2.0 * plan.traffic_period)
        self._back_at = -math.inf  # when the stand last came back from a trouble
        self._in_a_row = 0

    def guarded(self, act: Callable[[], None]) -> None:
        """Do one step; what the stand does wrong is met here, and never blamed on the unit.

        Raises StandFault, with the slot safe, for what waiting does not mend.
        """
        trouble: StandFault | None = None
        try:
            act()
        except (Interlock, *LOST) as fault:
            trouble = fault
        while trouble is not None:
            # Coming back may meet the next trouble.
            trouble = self._met(trouble)

    def _met(self, trouble: StandFault) -> StandFault | None:
        """Meet one trouble of the stand and bring the unit back; return the next one, if that met any.

        Raises StandFault, with the slot safe, when it comes again and again.
        """
        self._traffic.close()
        self._count(trouble)
        patience = 0.0
        if isinstance(trouble, Interlock):
            self._latched(trouble)
        else:
            self._lost(trouble)
            patience = self._bench.stand.safety.reconnect_timeout
        try:
            runs = self._come_back(patience=patience)
        except (Interlock, *LOST) as again:
            return again
        self._back_at = self._clock.now()
        if runs:
            self._move(Event.RUNNING, None)
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
                places=trouble.places,
            ) from trouble

    def _lost(self, trouble: StandFault) -> None:
        """Wait until every instrument is back."""
        self._progress.pause(Event.INSTRUMENT_LOST, str(trouble), made_up=True)
        self._move(Event.INSTRUMENT_LOST, f"{trouble}; policy: {self._recovery.policy}")
        self._recovery.wait(trouble)
        away = show_duration(self._clock.now() - self._progress.last)
        self._move(Event.INSTRUMENT_BACK, f"after {away}")

    def _latched(self, breach: Interlock) -> None:
        """Safe first; then nothing continues until a person has acknowledged."""
        unsafe = make_safe(self._bench, self._unit.slot)
        self._progress.pause(Event.INTERLOCK, str(breach), made_up=True)
        self._move(Event.INTERLOCK, f"{breach}; {unsafe or 'the slot is safe'}")
        request = f"{breach}. The slot is off. Put it right and acknowledge."
        try:
            self._bench.operator.act(request, self._bench.stand.operator.timeout)
        except NotPerformed:
            raise breach from None
        self._move(Event.ACKNOWLEDGED, "by the person at the stand")

    def _come_back(self, *, patience: float) -> bool:
        """Bring the unit back into its mode after the stand failed; return whether it runs.

        Its link may come back later than the instruments do: silence is waited for as long as `timeout`, s.
        """
        if not self._unit.supply.is_on:
            self._unit.supply.prepare()
            self._bench.signals.release(SlotWiring(self._bench.stand, self._unit.slot).drives())
            self._unit.modes.prepare()
        until = self._clock.now() + patience
        while True:
            try:
                self._starts.establish()
            except UnitFault as refused:
                if self._clock.now() < until and self._sampler.take().silence:
                    self._clock.sleep(LONGEST_PAUSE)
                    continue
                return self._starts.again(self._starts.failed(refused))
            return True
