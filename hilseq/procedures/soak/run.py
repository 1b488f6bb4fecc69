"""The soak itself: sample, look, react, pause for power cycles, survive the stand's own troubles.

On a schedule that does not drift. What is known is kept before anything is done about it, and the safe state
comes before words.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from hilseq import garbage
from hilseq.description.plans import Soak
from hilseq.description.profile import Mode
from hilseq.errors import Interlock, NotPerformed, StandFault, UnitFault
from hilseq.procedures.bench import Bench
from hilseq.procedures.soak.conditions import Conditions
from hilseq.procedures.soak.events import Events, told
from hilseq.procedures.soak.load import Load
from hilseq.procedures.soak.record import Finding, Incident, Recorder, SoakState
from hilseq.procedures.soak.recovery import LONGEST_PAUSE, LOST, Recovery, make_safe
from hilseq.procedures.soak.sampler import Sample, Sampler, blank
from hilseq.procedures.soak.schedule import Schedule, next_multiple
from hilseq.procedures.soak.traffic import Traffic
from hilseq.procedures.unit import Unit
from hilseq.procedures.wiring import Wiring
from hilseq.quantities import show_duration

#: Soak time between two seals of the sample file, s.
SEAL_EVERY = 600.0
#: Wall time between two looks of whoever watches, s.
PROGRESS_EVERY = 0.5
_ALIKE = 1e-6
#: Troubles of the stand in a row that are met, and samples without one that end the row.
MOST_TROUBLES, _LASTING = 5, 10.0


@dataclass(slots=True)
class SoakOutcome:
    """What came of a soak; times in s.

    `highest_case` in degC, None where nothing senses it, with its standard uncertainty in K.
    """

    planned: float
    lasted: float
    samples: int
    missed: int
    incidents: list[Incident]
    why: str
    highest_case: float | None = None
    case_uncertainty: float = 0.0
    ports: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)

    @property
    def places(self) -> list[str]:
        """Where the unit failed, in the order of the events."""
        found = [finding for incident in self.incidents for finding in incident.findings]
        return list(dict.fromkeys(finding.place for finding in found))

    @property
    def sentence(self) -> str:
        """What happened first, when, and how often anything did."""
        if not self.incidents:
            return ""
        words = told(self.incidents[0])
        count = len(self.incidents)
        return words if count == 1 else f"{words}; {count} events in {show_duration(self.lasted)}"


class SoakRun:
    """One soak of one unit that is powered and ready. `duration` (s) may be shorter than the plan's."""

    def __init__(
        self,
        bench: Bench,
        unit: Unit,
        plan: Soak,
        recorder: Recorder,
        *,
        duration: float | None = None,
        state: SoakState | None = None,
    ) -> None:
        self._bench = bench
        self._unit = unit
        self._plan = plan
        self._recorder = recorder
        self._clock = bench.clock
        self._duration = plan.duration if duration is None else duration
        self._state = state
        self._mode = Mode(plan.mode)
        self._sampler = Sampler(unit, bench.stand, bench.signals, bench.clock)
        self._conditions = Conditions(unit, bench.stand, self._sampler, self._mode)
        self._events = Events(unit, plan, recorder, self._conditions, self._sampler.columns)
        self._load = Load(unit, plan, self._conditions, bench.clock)
        self._traffic = Traffic(plan.port_traffic, unit.profile.ports, bench.stand.slots[unit.slot].ports)
        self._recovery = Recovery(bench, unit, self._sampler.signals)
        self._stop = ""
        self._samples = 0
        self._highest_case = -math.inf
        self._shown_at = -math.inf
        self._accounted = -math.inf  # up to here lost time has been made up for
        self._back_at = -math.inf  # when the stand last came back from a trouble
        self._troubles = 0  # of the stand, in a row
        self._begin_at(self._clock.now(), self._clock.now() + self._duration)

    def _begin_at(self, zero: float, end: float) -> None:
        self._schedule = Schedule(zero, self._plan.period, end)
        self._events.zero = zero
        self._last = zero

    # -- the whole -------------------------------------------------------------------------------------

    def run(self) -> SoakOutcome:
        """Soak to the end of the plan, or as far as its events let it.

        Raises Interlock, and StandFault when the stand fails for good; the stand is safe by then.
        """
        garbage.settled()
        try:
            if self._state is None:
                self._begin()
            else:
                self._go_on(self._state)
            while not self._stop and not self._schedule.done:
                self._guarded(self._one)
            if self._events.open is not None:
                self._events.close(cut_off=True)
            if not self._stop:
                # The last sample stands for its whole period.
                self._clock.sleep_until(self._schedule.end)
            worse = self._traffic.worse_than_claimed()
            if worse:
                self._events.found_at_end(self._clock.now(), worse)
            return self._end()
        finally:
            self._traffic.close()

    def _begin(self) -> None:
        self._events.keep_faults("before the soak", clear=True)
        self._establish()
        now = self._clock.now()
        self._begin_at(now, now + self._duration)
        self._recorder.begin(self._conditions.columns(), self._described())
        self._set_out(now)

    def _go_on(self, state: SoakState) -> None:
        """Take up an interrupted soak: the gap is shown, and the time lost is made up for at the end."""
        self._events.incidents = list(state.incidents)
        self._events.start_from(state.faults)
        self._traffic.go_on_from(state.ports)
        self._samples, self._highest_case = state.samples, state.highest_case
        self._begin_at(state.zero, state.end)
        self._schedule.missed = state.missed
        self._last = state.last
        self._recorder.resume(self._conditions.columns())
        self._establish()
        now = self._clock.now()
        self._schedule.skip_to(now)
        self._gap(state.last, "interrupted", state.why, made_up=True)
        self._set_out(now)
        if state.incidents:
            self._stop_as_planned()

    def _set_out(self, now: float) -> None:
        since = self._since(now)
        self._next_traffic, self._next_seal = since, since + SEAL_EVERY
        cycles = self._plan.cycles
        self._next_cycle = math.inf if cycles is None else next_multiple(since, cycles.every)

    def _described(self) -> dict[str, Any]:
        """Return the journal fields that say what is planned."""
        case, plan = self._conditions.case_index, self._plan
        return {
            "zero": self._schedule.zero,
            "end": self._schedule.end,
            "duration": self._duration,
            "planned": plan.duration,
            "period": plan.period,
            "mode": str(self._mode),
            "modes": {str(mode): number for mode, number in self._unit.profile.link.mode.values.items()},
            "case": None if case is None else self._sampler.columns[case],
            "confidence": plan.confidence,
            "cover": plan.cover,
            "ambient": plan.ambient,
            "plan": plan.model_dump(mode="json"),
        }

    def _end(self) -> SoakOutcome:
        lasted = self._since(min(self._clock.now(), self._schedule.end))
        why, ports = self._stop or "the planned end", self._traffic.tallies()
        incidents, missed = self._events.incidents, self._schedule.missed
        self._recorder.end(
            {
                "since": lasted,
                "samples": self._samples,
                "missed": missed,
                "events": len(incidents),
                "why": why,
                "ports": ports,
            }
        )
        highest = self._highest_case if math.isfinite(self._highest_case) else None
        known = 0.0 if highest is None else self._conditions.case_uncertainty(highest)
        return SoakOutcome(
            self._plan.duration, lasted, self._samples, missed, incidents, why, highest, known, ports
        )

    def _since(self, instant: float) -> float:
        return round(instant - self._schedule.zero, 6)

    # -- one step --------------------------------------------------------------------------------------

    def _one(self) -> None:
        """Wait for the next instant, take a sample and do what it asks for."""
        schedule, events = self._schedule, self._events
        instant = schedule.instant
        fast = events.fast_next < instant - _ALIKE * schedule.period
        self._clock.sleep_until(events.fast_next if fast else instant)
        since = self._since(self._clock.now())
        if not fast and self._traffic_due(since):
            self._traffic.send()
        sample = self._sampler.take()
        self._conditions.check_stand(sample)
        found = self._conditions.look(sample)
        if fast or found or events.open is not None or self._something_due(since):
            self._eventful(sample, found, fast=fast)
        else:
            self._uneventful(sample)

    def _uneventful(self, sample: Sample) -> None:
        """Go on: nothing is asked before the next instant, so time may pass while the sample is kept."""
        self._events.follow(sample, [])
        self._go_to_next(sample)
        self._clock.head_for(min(self._schedule.instant, self._events.fast_next, self._schedule.end))
        self._keep(sample)

    def _eventful(self, sample: Sample, found: list[Finding], *, fast: bool) -> None:
        if not fast:
            self._keep(sample)
        if self._events.follow(sample, found):
            self._react()
        if fast or self._stop:
            return
        self._go_to_next(sample)
        self._in_between(sample)

    def _keep(self, sample: Sample) -> None:
        self._recorder.sample(sample.at, sample.values)
        self._samples += 1
        self._last = sample.at
        case = self._conditions.case(sample)
        if case is not None and case > self._highest_case:
            self._highest_case = case
        wall = time.monotonic()
        if wall - self._shown_at >= PROGRESS_EVERY:
            self._shown_at = wall
            self._show(sample)

    def _go_to_next(self, sample: Sample) -> None:
        missed = self._schedule.taken(self._clock.now())
        if missed:
            self._recorder.note(
                "overrun", f"{missed} samples missed at {show_duration(self._since(sample.at))}"
            )

    def _traffic_due(self, since: float) -> bool:
        return since >= self._next_traffic - _ALIKE

    def _something_due(self, since: float) -> bool:
        """Tell whether the plan has something between this sample and the next."""
        return since >= min(self._next_traffic, self._next_cycle, self._next_seal) - _ALIKE or self._load.due(
            since
        )

    def _in_between(self, sample: Sample) -> None:
        """Do what the plan has between two samples: ports, pattern, seals, power cycles."""
        since = self._since(sample.at)
        if self._traffic_due(since):
            self._next_traffic = next_multiple(since, self._plan.traffic_period)
            found = self._traffic.gather()
            if found:
                self._events.found(sample, found)
        if self._load.due(since):
            self._command_load(since)
        if since >= self._next_seal - _ALIKE:
            self._next_seal = since + SEAL_EVERY
            self._recorder.seal(self._traffic.tallies())
            self._unit.supply.instrument.identify()
        if since >= self._next_cycle - _ALIKE and self._events.open is None:
            self._power_cycle(since)

    def _show(self, sample: Sample) -> None:
        self._recorder.progress(
            {
                "since": self._since(sample.at),
                "until": self._since(self._schedule.end),
                "current": sample.values[1],
                "case": self._conditions.case(sample),
                "well": self._conditions.resumed_with(sample),
                "events": len(self._events.incidents),
                "samples": self._samples,
            }
        )

    # -- reactions and pauses --------------------------------------------------------------------------

    def _react(self) -> None:
        """Do what the plan says when an event is complete."""
        incident = self._events.open
        well = self._events.close()
        self._recorder.seal(self._traffic.tallies())
        self._stop_as_planned()
        if not self._stop and self._plan.on_event == "restart" and not well:
            self._pause("restart", "after an event", lambda: self._restarted(incident))

    def _stop_as_planned(self) -> None:
        """Stop if the plan says so after as many events as there were."""
        if self._plan.on_event == "stop":
            self._stop = "the plan stops at the first event"
        elif self._enough():
            self._stop = f"the plan stops after {self._plan.stop_after_events} events"

    def _enough(self) -> bool:
        return len(self._events.incidents) >= self._plan.stop_after_events

    def _power_cycle(self, since: float) -> None:
        cycles = self._plan.cycles
        if cycles is not None:
            self._next_cycle = next_multiple(since, cycles.every)
            self._pause("power cycle", "as planned", lambda: self._restarted(None, cycles.off), planned=True)

    def _restarted(self, incident: Incident | None, off: float | None = None) -> None:
        """Switch off and on and bring the unit back; a start that fails is an event of its own."""
        while not self._stop:
            try:
                self._unit.supply.cycle(off)
                self._unit.wait_until_ready()
                self._establish()
                if incident is not None:
                    self._events.look_at_faults(incident, blank(self._clock.now(), self._sampler.columns))
            except UnitFault as fault:
                incident = self._failed_to_start(fault)
            else:
                if incident is None and self._events.look_after_start(self._clock.now()):
                    self._stop_as_planned()
                return

    def _failed_to_start(self, fault: UnitFault) -> Incident:
        incident = self._events.did_not_start(self._clock.now(), fault)
        if self._plan.on_event == "stop" or self._enough():
            self._stop = f"the unit did not start again, {len(self._events.incidents)} events in all"
        return incident

    def _establish(self) -> None:
        """Bring the unit, powered and ready, into its mode and under its load. Raises UnitFault."""
        self._unit.make_ready()
        self._unit.modes.move_to(self._mode)
        self._conditions.restarted()
        self._command_load(self._since(self._clock.now()))

    def _command_load(self, since: float) -> None:
        self._load.command(since)
        self._events.outputs_on = self._load.outputs_on

    def _pause(self, what: str, text: str, act: Callable[[], None], *, planned: bool = False) -> None:
        """Do something that leaves no time for samples, and keep the gap."""
        start = self._last
        self._traffic.close()
        act()
        self._schedule.skip_to(self._clock.now())
        self._gap(start, what, text, planned=planned, made_up=False)

    def _gap(self, start: float, what: str, text: str, *, planned: bool = False, made_up: bool) -> None:
        """Keep a gap from the last sample to now; one that is made up for makes the soak end later."""
        end = self._clock.now()
        start = max(start, self._accounted)
        if made_up:
            self._schedule.end += end - start
            self._accounted = end
        self._events.forget()
        self._recorder.gap(
            {
                "start": self._since(start),
                "end": self._since(end),
                "what": what,
                "planned": planned,
                "text": text,
                "until": self._since(self._schedule.end),
            }
        )

    # -- the stand's own troubles ----------------------------------------------------------------------

    def _guarded(self, act: Callable[[], None]) -> None:
        """Do one step; what the stand does wrong is met here, and never said of the unit."""
        trouble: StandFault | None = None
        try:
            act()
        except (Interlock, *LOST) as fault:
            trouble = fault
        start = self._last
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
            self._come_back(patience=self._bench.stand.safety.lost_patience if lost else 0.0)
        except (Interlock, *LOST) as again:
            return again
        self._back_at = self._clock.now()
        self._schedule.skip_to(self._back_at)
        self._gap(start, what, str(trouble), made_up=True)
        return None

    def _count(self, trouble: StandFault) -> None:
        """An instrument that is back and fails again at once is not back: the unit is not cycled for ever."""
        lasting = max(_LASTING * self._plan.period, 2.0 * self._plan.traffic_period)
        again = self._clock.now() - self._back_at < lasting
        self._troubles = self._troubles + 1 if again else 1
        if self._troubles > MOST_TROUBLES:
            unsafe = make_safe(self._bench, self._unit.slot)
            raise StandFault(
                f"{trouble}; it came back and failed again {MOST_TROUBLES} times in a row"
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
            self._bench.operator.act(request, self._bench.stand.operator.patience)
        except NotPerformed:
            raise breach from None
        self._recorder.note("interlock acknowledged", "by the person at the stand")

    def _come_back(self, *, patience: float) -> None:
        """Bring the unit back into its mode after the stand failed.

        Its link may come back later than the instruments do: silence is waited for as long as `patience`, s.
        """
        if not self._unit.supply.is_on:
            self._unit.supply.prepare()
            self._bench.signals.release(Wiring(self._bench.stand, self._unit.slot).drives())
            self._unit.modes.prepare()
        until = self._clock.now() + patience
        while True:
            try:
                self._establish()
            except UnitFault as refused:
                if self._clock.now() < until and self._sampler.take().silence:
                    self._clock.sleep(LONGEST_PAUSE)
                    continue
                self._restarted(self._failed_to_start(refused))
            return
