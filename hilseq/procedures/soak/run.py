"""The soak itself: sample, look, react, pause for power cycles, survive the stand's own troubles.

On a schedule that does not drift. What is known is kept before anything is done about it, and the safe state
comes before words.
"""

from __future__ import annotations

import math
import time
from collections import Counter, deque
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

from hilseq.analysis import soak_events
from hilseq.description.plans import Soak
from hilseq.description.profile import Mode
from hilseq.errors import (
    HilseqError,
    Interlock,
    NotPerformed,
    NotSafe,
    StandFault,
    UnitFault,
    WrongInstrument,
)
from hilseq.procedures.bench import Bench
from hilseq.procedures.faults import StoredFault
from hilseq.procedures.soak.conditions import NEW_FAULT, Conditions
from hilseq.procedures.soak.record import Finding, Incident, Recorder, SoakState
from hilseq.procedures.soak.sampler import FAULTS, Sample, Sampler, as_row
from hilseq.procedures.soak.schedule import Schedule, next_multiple
from hilseq.procedures.soak.traffic import Traffic
from hilseq.procedures.unit import Unit
from hilseq.procedures.wiring import Wiring
from hilseq.quantities import show_duration

#: Soak time between two seals of the sample file, s.
SEAL_EVERY = 600.0
#: Pauses between two attempts to reach a lost instrument, s of the clock.
FIRST_PAUSE, LONGEST_PAUSE = 1.0, 30.0
#: Wall time between two looks of whoever watches, s.
PROGRESS_EVERY = 0.5
#: From this share of its length on the fault table is cleared, once it has been read and kept.
_FILLED = 0.5
_ALIKE = 1e-6


@dataclass(slots=True)
class SoakOutcome:
    """What came of a soak; times in s. `highest_case` in degC, None where nothing senses it."""

    planned: float
    lasted: float
    samples: int
    missed: int
    incidents: list[Incident]
    why: str
    highest_case: float | None = None
    ports: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)

    @property
    def places(self) -> list[str]:
        """Where the unit failed, in the order of the events."""
        return list(
            dict.fromkeys(finding.place for incident in self.incidents for finding in incident.findings)
        )

    @property
    def sentence(self) -> str:
        """What happened first, when, and how often anything did."""
        if not self.incidents:
            return ""
        words = told(self.incidents[0])
        count = len(self.incidents)
        return words if count == 1 else f"{words}; {count} events in {show_duration(self.lasted)}"


def told(incident: Incident) -> str:
    """Return an incident in a sentence."""
    findings = [(finding.what, finding.text) for finding in incident.findings]
    return soak_events.told(show_duration(incident.since), incident.case, findings)


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
        self._traffic = Traffic(plan.port_traffic, unit.profile.ports, bench.stand.slots[unit.slot].ports)
        self._incidents: list[Incident] = [] if state is None else list(state.incidents)
        self._known: Counter[tuple[int, str, float | None]] = Counter()
        self._ring: deque[Sample] = deque(maxlen=max(1, plan.burst_before))
        self._open: Incident | None = None
        self._burst: list[Sample] = []
        self._before: list[Sample] = []
        self._step = -1
        self._stop = ""
        self._samples = 0
        self._highest_case = -math.inf
        self._last = 0.0
        self._shown_at = -math.inf
        self._fast_next = math.inf

    # -- the whole -------------------------------------------------------------------------------------

    def run(self) -> SoakOutcome:
        """Soak to the end of the plan, or as far as its events let it.

        Raises Interlock, and StandFault when the stand fails for good; the stand is safe by then.
        """
        try:
            self._begin()
            while not self._stop and not self._schedule.done:
                self._guarded(self._one)
            if not self._stop and self._open is not None:
                self._close_incident()
            return self._end()
        finally:
            self._traffic.close()

    def _begin(self) -> None:
        state = self._state
        if state is None:
            self._keep_faults("before the soak", clear=True)
        self._guarded(lambda: self._establish("in its mode"))
        now = self._clock.now()
        columns = self._conditions.columns()
        if state is None:
            self._schedule = Schedule(now, self._plan.period, now + self._duration)
        else:
            self._schedule = Schedule(state.zero, self._plan.period, state.end)
            self._schedule.missed = state.missed
        zero = self._schedule.zero
        self._last = now if state is None else state.last
        fields = {
            "zero": zero,
            "end": self._schedule.end,
            "duration": self._duration,
            "planned": self._plan.duration,
            "period": self._plan.period,
            "mode": str(self._mode),
            "modes": {str(mode): number for mode, number in self._unit.profile.link.mode.values.items()},
            "case": None
            if self._conditions.case_index is None
            else self._sampler.columns[self._conditions.case_index],
            "confidence": self._plan.confidence,
            "cover": self._plan.cover,
            "ambient": self._plan.ambient,
            "plan": self._plan.model_dump(mode="json"),
        }
        if state is None:
            self._recorder.begin(columns, fields)
        else:
            self._recorder.resume(columns, fields)
            self._known.update(state.faults)
            self._samples = state.samples
            self._traffic.go_on_from(state.ports)
            self._schedule.skip_to(now)
            self._gap(state.last, "interrupted", state.why, counts=True)
        self._sealed_at = self._since(now)
        every = None if self._plan.cycles is None else self._plan.cycles.every
        self._next_cycle = math.inf if every is None else next_multiple(self._since(now), every)
        self._next_traffic = self._since(now)

    def _end(self) -> SoakOutcome:
        lasted = self._since(min(self._clock.now(), self._schedule.end))
        why = self._stop or "the planned end"
        ports = self._traffic.tallies()
        self._recorder.end(
            {
                "since": lasted,
                "samples": self._samples,
                "missed": self._schedule.missed,
                "events": len(self._incidents),
                "why": why,
                "ports": ports,
            }
        )
        return SoakOutcome(
            planned=self._plan.duration,
            lasted=lasted,
            samples=self._samples,
            missed=self._schedule.missed,
            incidents=self._incidents,
            why=why,
            highest_case=self._highest_case if math.isfinite(self._highest_case) else None,
            ports=ports,
        )

    def _since(self, instant: float) -> float:
        return round(instant - self._schedule.zero, 6)

    # -- one step --------------------------------------------------------------------------------------

    def _one(self) -> None:
        """Wait for the next instant, take a sample and do what it asks for."""
        schedule = self._schedule
        regular_at = schedule.instant
        fast = self._fast_next < regular_at - _ALIKE * schedule.period
        self._clock.sleep_until(self._fast_next if fast else regular_at)
        sample = self._sampler.take()
        self._conditions.check_stand(sample)
        if not fast:
            self._recorder.sample(sample.at, sample.values)
            self._samples += 1
            self._last = sample.at
        self._follow(sample)
        if fast:
            return
        missed = schedule.taken(self._clock.now())
        if missed:
            self._recorder.note(
                "overrun", f"{missed} samples were missed at {show_duration(self._since(sample.at))}"
            )
        self._in_between(sample)

    def _follow(self, sample: Sample) -> None:
        """Look at a sample, and keep incident and burst up to date."""
        found = self._conditions.look(sample)
        if found:
            self._found(sample, found)
        elif self._open is None:
            self._ring.append(sample)
        if self._open is None:
            self._fast_next = self._pre_trigger(sample)
            return
        self._burst.append(sample)
        if len(self._burst) <= self._plan.burst_after:
            # From its own first sample, so that a long burst does not drift either.
            self._fast_next = self._burst[0].at + len(self._burst) * self._plan.burst_period
            return
        self._fast_next = math.inf
        patience = self._unit.profile.start.ready_within
        well = self._conditions.resumed_with(sample)
        if well or sample.at - self._burst[0].at >= patience:
            self._close_incident()

    def _pre_trigger(self, sample: Sample) -> float:
        period = self._plan.pre_trigger_period
        return math.inf if period is None else sample.at + period

    def _in_between(self, sample: Sample) -> None:
        """Do what the plan has between two samples: pattern, ports, seals, power cycles."""
        since = self._since(sample.at)
        if math.floor(since / self._plan.pattern_period + _ALIKE) != self._step:
            self._command_pattern(since)
        if since >= self._next_traffic - _ALIKE:
            self._next_traffic = next_multiple(since, self._plan.traffic_period)
            found = self._traffic.exchange() if self._unit.supply.is_on else []
            if found:
                self._found(sample, found)
        if since - self._sealed_at >= SEAL_EVERY - _ALIKE:
            self._sealed_at = since
            self._recorder.seal(self._traffic.tallies())
        case = self._conditions.case(sample)
        if case is not None and case > self._highest_case:
            self._highest_case = case
        wall = time.monotonic()
        if wall - self._shown_at >= PROGRESS_EVERY:
            self._shown_at = wall
            self._show(sample)
        if since >= self._next_cycle - _ALIKE and self._open is None and not self._stop:
            self._power_cycle(since)

    def _show(self, sample: Sample) -> None:
        values = dict(zip(self._sampler.columns, sample.values, strict=True))
        self._recorder.progress(
            {
                "since": self._since(sample.at),
                "until": self._since(self._schedule.end),
                "current": sample.values[1],
                "case": self._conditions.case(sample),
                "well": self._conditions.resumed_with(sample),
                "faults": values.get(FAULTS),
                "events": len(self._incidents),
                "samples": self._samples,
            }
        )

    # -- load ------------------------------------------------------------------------------------------

    def _pattern(self, step: int) -> list[str]:
        names = list(self._unit.outputs.names)
        match self._plan.pattern:
            case "on":
                return names
            case "alternate":
                return names[step % 2 :: 2]
            case "walking" if names:
                return [names[step % len(names)]]
            case _:
                return []

    def _command_pattern(self, since: float) -> None:
        self._step = math.floor(since / self._plan.pattern_period + _ALIKE)
        if not self._unit.outputs.names:
            return
        on = self._pattern(self._step)
        try:
            self._unit.outputs.command(*on)
        except UnitFault:
            # The samples will say what is wrong with the link; the next step tries again.
            self._conditions.expect_outputs((), math.inf)
            self._step = -1
            return
        settle = max(point.settle for point in self._unit.profile.points.outputs.values())
        driven = on if self._mode is Mode.LIVE else []
        self._conditions.expect_outputs(driven, self._clock.now() + settle - _ALIKE)

    # -- events ----------------------------------------------------------------------------------------

    def _found(self, sample: Sample, found: list[Finding]) -> None:
        """Keep findings at once, with the fault table, as a new incident or as part of the present one."""
        if self._open is None:
            self._open = Incident(
                len(self._incidents) + 1, self._since(sample.at), self._conditions.case(sample)
            )
            self._incidents.append(self._open)
            self._before, self._burst = list(self._ring), []
            self._ring.clear()
        told = [finding for finding in found if finding.what != NEW_FAULT]
        self._keep(self._open, sample, told)
        if not sample.silence and not self._look_at_faults(self._open, sample):
            # The counter moved and the table does not say why.
            told = [finding for finding in found if finding.what == NEW_FAULT]
            self._keep(self._open, sample, told)

    def _keep(self, incident: Incident, sample: Sample, found: list[Finding]) -> None:
        known = {(finding.what, finding.place) for finding in incident.findings}
        for finding in found:
            if (finding.what, finding.place) in known:
                continue
            incident.findings.append(finding)
            self._recorder.event(
                {
                    "number": incident.number,
                    "since": self._since(sample.at),
                    "case": self._conditions.case(sample),
                    "what": finding.what,
                    "place": finding.place,
                    "text": finding.text,
                    "outputs_on": len(self._pattern(self._step)) if self._step >= 0 else 0,
                }
            )

    def _look_at_faults(self, incident: Incident, sample: Sample) -> bool:
        """Read the fault table; what is new in it becomes part of the incident. Tell whether anything is."""
        stored = self._keep_faults(f"at event {incident.number}")
        if stored is None:
            return False
        now = Counter((fault.code, fault.place, fault.time) for fault in stored)
        new = now - self._known
        any_new = bool(new)
        self._known = now
        for fault in stored:
            if new[fault.code, fault.place, fault.time]:
                new[fault.code, fault.place, fault.time] -= 1
                finding = Finding(f"fault 0x{fault.code:02X}", fault.place, str(fault))
                self._keep(incident, sample, [finding])
        table = self._unit.profile.faults
        if table is not None and len(stored) >= _FILLED * table.entries:
            # What is stored is kept by now; a full table would hide what comes next.
            with suppress(UnitFault):
                self._unit.faults.clear()
                self._known.clear()
                self._conditions.restarted()
        return any_new

    def _keep_faults(self, when: str, *, clear: bool = False) -> list[StoredFault] | None:
        """Read and keep the fault table; None when the unit has none or does not answer."""
        if self._unit.profile.faults is None:
            return None
        try:
            stored = self._unit.faults.read()
            self._recorder.faults(when, [fault.as_entry() for fault in stored])
            if clear and stored:
                self._unit.faults.clear()
                stored = self._unit.faults.read()
        except UnitFault:
            return None
        if clear:
            self._known = Counter((fault.code, fault.place, fault.time) for fault in stored)
        return stored

    def _close_incident(self) -> None:
        """Keep the burst, then do what the plan says."""
        incident, self._open = self._open, None
        assert incident is not None
        rows = [as_row(sample, self._schedule.zero) for sample in [*self._before, *self._burst]]
        last = self._burst[-1] if self._burst else None
        well = last is not None and self._conditions.resumed_with(last)
        self._recorder.burst(
            f"event {incident.number}: {incident.findings[0].what}", self._sampler.columns, rows
        )
        self._before, self._burst = [], []
        self._ring.clear()
        self._fast_next = math.inf
        self._recorder.seal(self._traffic.tallies())
        if self._plan.on_event == "stop":
            self._stop = "the plan stops at the first event"
        elif len(self._incidents) >= self._plan.stop_after_events:
            self._stop = f"the plan stops after {self._plan.stop_after_events} events"
        elif self._plan.on_event == "restart" and not well:
            self._pause("restart", "after an event", lambda: self._restarted(incident))

    def _restarted(self, incident: Incident | None, off: float | None = None) -> None:
        """Switch off and on and bring the unit back; a start that fails is an incident of its own."""
        while not self._stop:
            try:
                self._unit.supply.cycle(off)
                self._unit.wait_until_ready()
                self._establish("after a restart")
                if incident is not None:
                    self._look_at_faults(incident, self._nothing())
            except UnitFault as fault:
                incident = self._failed_to_start(fault)
            else:
                return

    def _failed_to_start(self, fault: UnitFault) -> Incident:
        incident = Incident(len(self._incidents) + 1, self._since(self._clock.now()), None)
        self._incidents.append(incident)
        place = fault.places[0] if fault.places else "start"
        self._keep(incident, self._nothing(), [Finding("did not start again", place, str(fault))])
        self._keep_faults(f"at event {incident.number}")
        if self._plan.on_event == "stop" or len(self._incidents) >= self._plan.stop_after_events:
            self._stop = f"the unit did not start again, {len(self._incidents)} events in all"
        return incident

    def _nothing(self) -> Sample:
        """Return a sample of now that holds nothing."""
        return Sample(self._clock.now(), [math.nan] * len(self._sampler.columns))

    # -- pauses ----------------------------------------------------------------------------------------

    def _establish(self, when: str) -> None:
        """Bring the unit, powered and ready, into its mode and under its load. Raises UnitFault."""
        del when
        if not self._unit.supply.is_on:
            self._unit.make_ready()
        self._unit.modes.move_to(self._mode)
        self._conditions.restarted()
        self._step = -1
        self._conditions.expect_outputs((), math.inf)
        self._command_pattern(self._since(self._clock.now()) if hasattr(self, "_schedule") else 0.0)

    def _power_cycle(self, since: float) -> None:
        assert self._plan.cycles is not None
        cycles = self._plan.cycles
        self._next_cycle = next_multiple(since, cycles.every)
        self._pause("power cycle", "as planned", lambda: self._restarted(None, cycles.off), planned=True)

    def _pause(self, what: str, text: str, act: Callable[[], None], *, planned: bool = False) -> None:
        """Do something that leaves no time for samples, and keep the gap."""
        start = self._last
        self._traffic.close()
        act()
        self._schedule.skip_to(self._clock.now())
        self._gap(start, what, text, planned=planned, counts=False)

    def _gap(self, start: float, what: str, text: str, *, planned: bool = False, counts: bool) -> None:
        """Keep a gap from the last sample to now. One that `counts` is made up for at the end."""
        end = self._clock.now()
        if counts:
            self._schedule.end += end - start
        self._ring.clear()
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
        try:
            act()
        except Interlock as breach:
            self._latched(breach)
        except (WrongInstrument, NotSafe):
            raise
        except StandFault as fault:
            if type(fault) is StandFault:
                # Not a lost instrument: something is wrong with the stand that waiting does not mend.
                raise
            self._lost(fault)

    def _made_safe(self) -> str:
        """Make the slot safe; return why that could not be verified."""
        try:
            self._bench.make_safe(self._unit.slot)
        except NotSafe as error:
            return str(error)
        return ""

    def _latched(self, breach: Interlock) -> None:
        """Safe first; then nothing goes on until a person has acknowledged."""
        unsafe = self._made_safe()
        self._recorder.note("interlock", f"{breach}" + (f"; {unsafe}" if unsafe else "; the slot is safe"))
        self._abandon_incident()
        try:
            self._bench.operator.act(
                f"{breach}. The slot is off. Put it right and acknowledge.",
                self._bench.stand.operator.patience,
            )
        except NotPerformed:
            raise breach from None
        self._recorder.note("interlock acknowledged", "by the person at the stand")
        self._come_back(self._last, "interlock", str(breach))

    def _lost(self, fault: StandFault) -> None:
        """Mark the gap, make safe or hold, try again with bounded back-off, resume."""
        hold = self._bench.stand.safety.lost_instrument == "hold"
        patience = self._bench.stand.safety.lost_patience
        start = self._last if hasattr(self, "_schedule") else self._clock.now()
        self._recorder.note("instrument lost", f"{fault}; the stand {'holds' if hold else 'makes safe'}")
        self._abandon_incident()
        unsafe = "" if hold else self._made_safe()
        until = self._clock.now() + patience
        pause = FIRST_PAUSE
        reason: HilseqError = fault
        while True:
            self._clock.sleep(pause)
            pause = min(2 * pause, LONGEST_PAUSE)
            try:
                if unsafe:
                    unsafe = self._made_safe()
                self._probe(hold=hold)
                break
            except (Interlock, WrongInstrument):
                self._made_safe()
                raise
            except (StandFault, NotSafe) as again:
                reason = again
            if self._clock.now() >= until:
                self._made_safe()
                raise StandFault(
                    f"{reason}; it did not come back within {show_duration(patience)}", place=_place(fault)
                )
        self._recorder.note("instrument back", f"after {show_duration(self._clock.now() - start)}")
        self._come_back(start, "instrument lost", str(fault))

    def _probe(self, *, hold: bool) -> None:
        """Ask every instrument of the slot whether it is there, and is as it was left. Raises StandFault."""
        supply = self._unit.supply.instrument
        supply.identify()
        if hold and not supply.is_on():
            # It was rebooted meanwhile: nothing of what was set can be counted on.
            self._made_safe()
        self._bench.signals.snapshot(self._sampler.signals)

    def _come_back(self, start: float, what: str, text: str) -> None:
        """Bring the unit back after the stand failed, and keep the gap; it is made up for at the end."""
        try:
            if not self._unit.supply.is_on:
                self._unit.supply.prepare()
                self._bench.signals.release(Wiring(self._bench.stand, self._unit.slot).drives())
                self._unit.modes.prepare()
            try:
                self._unit.make_ready()
                self._establish("after a gap")
            except UnitFault as refused:
                if not hasattr(self, "_schedule"):
                    raise
                incident = self._failed_to_start(refused)
                self._restarted(incident)
        except StandFault as again:
            if isinstance(again, Interlock):
                self._latched(again)
                return
            if type(again) is StandFault or isinstance(again, (WrongInstrument, NotSafe)):
                raise
            self._lost(again)
            return
        if hasattr(self, "_schedule"):
            self._schedule.skip_to(self._clock.now())
            self._gap(start, what, text, counts=True)

    def _abandon_incident(self) -> None:
        """End an incident whose burst the stand has cut off."""
        if self._open is not None:
            incident, self._open = self._open, None
            rows = [as_row(sample, self._schedule.zero) for sample in [*self._before, *self._burst]]
            self._recorder.burst(
                f"event {incident.number}: {incident.findings[0].what}, cut off", self._sampler.columns, rows
            )
        self._before, self._burst, self._fast_next = [], [], math.inf
        self._ring.clear()
        self._traffic.close()


def _place(fault: HilseqError) -> str | None:
    places = getattr(fault, "places", ())
    return places[0] if places else None
