"""The soak itself: sample, look, react, pause for power cycles.

On a schedule that does not drift. What is known is kept before anything is done about it, and the safe state
comes before words.
"""

from __future__ import annotations

import math
import time
from contextlib import suppress

from hilseq import gc_tuning
from hilseq.description.plans import Soak, SoakCycles
from hilseq.description.profile import Mode
from hilseq.errors import Interlock, StandFault, UnitFault
from hilseq.journal.run_state import Incident, SoakFinding
from hilseq.journal.soak_entries import SoakEnded, SoakStarted, SoakStatus
from hilseq.procedures.bench import Bench
from hilseq.procedures.soak.conditions import SoakConditions, overloads
from hilseq.procedures.soak.events import Events, SoakOutcome
from hilseq.procedures.soak.looks import Looks
from hilseq.procedures.soak.record import ResumedSoak, SoakProgress, SoakRecorder, next_multiple
from hilseq.procedures.soak.recovery import Load, StandRecovery, Starts
from hilseq.procedures.soak.sampler import Sample, Sampler
from hilseq.procedures.soak.states import Event, Keep, Keeper, Machine
from hilseq.procedures.soak.traffic import Traffic
from hilseq.procedures.unit import Unit
from hilseq.quantities import show_duration

#: Soak time between two seals of the sample file, s.
SEAL_EVERY = 600.0
#: Soak time between two looks at what no sample shows, s: the fault table, whose counter may stand still, and whether
#: the stand still drives the unit as it was commanded to.
LOOK_EVERY = 60.0
#: Wall time between two looks of whoever watches, s.
PROGRESS_EVERY = 0.5
_ALIKE = 1e-6
#: Why a soak ends that nothing stops.
_AS_PLANNED = "the planned end"


class SoakRun:
    """One soak of one unit that is powered and ready. `duration` (s) may be shorter than the plan's."""

    def __init__(
        self,
        bench: Bench,
        unit: Unit,
        plan: Soak,
        recorder: SoakRecorder,
        *,
        duration: float | None = None,
        state: ResumedSoak | None = None,
    ) -> None:
        self._unit = unit
        self._plan = plan
        self._recorder = recorder
        clock = self._clock = bench.clock.plain  # its samples look at the outputs themselves
        self._duration = plan.duration if duration is None else duration
        self._state = state
        self._mode = Mode(plan.mode)
        sampler = self._sampler = Sampler(unit, bench.stand, bench.signals, clock)
        conditions = self._conditions = SoakConditions(unit, bench.stand, sampler, self._mode)
        machine = self._machine = Machine(self._keepers())
        progress = self._progress = SoakProgress(plan.period, self._duration, clock, recorder)
        events = self._events = Events(
            unit, plan, recorder, conditions, sampler.columns, progress=progress, move=machine.on
        )
        self._load = Load(unit, plan, conditions, clock)
        traffic = self._traffic = Traffic(
            plan.port_traffic,
            unit.profile.ports,
            bench.stand.slots[unit.slot].ports,
            clock,
            unit.profile.link,
        )
        quiet = self._quiet = Traffic(
            [name for name in unit.profile.ports if name not in plan.port_traffic],
            unit.profile.ports,
            bench.stand.slots[unit.slot].ports,
            clock,
            unit.profile.link,
        )
        looks = self._looks = Looks(unit, plan, quiet)
        starts = self._starts = Starts(
            unit,
            self._mode,
            looks=looks,
            load=self._load,
            conditions=conditions,
            events=events,
            progress=progress,
            clock=clock,
        )
        self._recovery = StandRecovery(
            bench,
            unit,
            plan,
            progress=progress,
            starts=starts,
            sampler=sampler,
            traffic=traffic,
            move=machine.on,
        )
        self._samples = 0
        self._lasted = 0.0
        self._shown_at = -math.inf

    # -- the whole -------------------------------------------------------------------------------------

    def run(self) -> SoakOutcome:
        """Soak to the end of the plan, or as far as its events let it.

        Raises Interlock, and StandFault when the stand fails for good; the stand is safe by then.
        """
        gc_tuning.settled()
        try:
            if self._state is None:
                self._begin()
            else:
                self._continue(self._state)
            try:
                while not self._progress.over():
                    self._recovery.guarded(self._one)
                    if self._progress.over() and not self._progress.stop:
                        # What the stand let go of since the last look costs a gap, and not the whole soak.
                        self._recovery.guarded(self._unit.check_drives)
            except (Interlock, StandFault) as fault:
                raise self._cut_short(fault) from fault
            if not self._progress.stop:
                # The last sample stands for its whole period.
                self._clock.sleep_until(self._progress.schedule.end)
            self._machine.on(Event.OVER)
            return self._outcome()
        finally:
            self._traffic.close()
            self._looks.close()

    def _keepers(self) -> dict[Keep, Keeper]:
        """Return how each thing is kept that the table of states names."""
        return {
            Keep.BEGINNING: lambda *_: self._recorder.begin(self._described()),
            Keep.FINDING: lambda _, keep: keep(),
            Keep.BURST: lambda *_: self._events.close(),
            Keep.CUT_BURST: lambda *_: self._events.close(cut_off=True),
            Keep.GAP: lambda *_: self._keep_gap(),
            Keep.NOTE: lambda event, words: self._recorder.note(str(event), words),
            Keep.SEAL: lambda *_: self._recorder.seal(self._traffic.tallies()),
            Keep.END: lambda *_: self._keep_end(),
        }

    def _begin(self) -> None:
        self._events.clear_faults()
        self._establish()
        now = self._clock.now()
        self._progress.begin_at(now, now + self._duration)
        self._machine.on(Event.RUNNING)
        self._set_out(now)

    def _continue(self, state: ResumedSoak) -> None:
        """Take up an interrupted soak: the gap is shown, and the time lost is made up for at the end."""
        soak = state.soak
        self._events.incidents = list(soak.incidents)
        self._events.start_from([(fault.code, fault.place, fault.time) for fault in soak.faults])
        self._traffic.continue_from(soak.ports)
        self._samples = state.samples
        self._conditions.extremes.continue_from(self._sampler.columns, state.ends)
        self._progress.begin_at(soak.started.zero, soak.started.zero + soak.until)
        self._progress.schedule.missed = soak.missed
        self._progress.last = state.last
        self._recorder.resume(self._conditions.columns())
        self._progress.pause("interrupted", state.why, made_up=True)
        self._establish()
        self._machine.on(Event.RESUMED)
        self._set_out(self._clock.now())
        self._progress.stop = self._events.enough()

    def _establish(self) -> None:
        """Bring the unit into its mode for the first time. What goes wrong here is no soak yet."""
        try:
            self._starts.establish()
        except UnitFault:
            self._machine.on(Event.NO_START)
            raise
        except StandFault:
            self._machine.on(Event.STAND_FAILED)
            raise

    def _set_out(self, now: float) -> None:
        since = self._progress.since(now)
        self._next_traffic, self._next_seal = since, since + SEAL_EVERY
        cycles = self._plan.cycles
        self._next_cycle = math.inf if cycles is None else next_multiple(since, cycles.every)
        self._next_look = next_multiple(since, LOOK_EVERY)

    def _described(self) -> SoakStarted:
        """Return what is planned, for the journal."""
        case, plan = self._conditions.case_index, self._plan
        return SoakStarted(
            slot=self._unit.slot,
            check=self._recorder.check,
            file=self._recorder.file,
            zero=self._progress.schedule.zero,
            end=self._progress.schedule.end,
            duration=self._duration,
            planned=plan.duration,
            period=plan.period,
            mode=str(self._mode),
            modes={str(mode): number for mode, number in self._unit.profile.link.mode.values.items()},
            case=None if case is None else self._sampler.columns[case],
            columns=tuple(self._conditions.columns()),
            confidence=plan.confidence,
            cover=plan.cover,
            ambient=plan.ambient,
            plan=plan.model_dump(mode="json"),
        )

    def _cut_short(self, fault: Interlock | StandFault) -> StandFault:
        """Leave a soak that the stand has failed to be resumed; return the fault with when, and what came before."""
        since = self._progress.since(self._progress.last)
        words = f"{fault} (after {show_duration(since)} of the soak"
        before = "; ".join(incident.sentence for incident in self._events.incidents)
        words += f"; before that the unit: {before})" if before else ")"
        with suppress(StandFault):  # the disk may be what failed
            self._machine.on(Event.STAND_FAILED)
        kind = Interlock if isinstance(fault, Interlock) else StandFault
        return kind(words, places=fault.places)

    def _keep_gap(self) -> None:
        self._progress.gap()
        self._events.forget()  # what follows a gap does not belong to the samples before

    def _keep_end(self) -> None:
        progress = self._progress
        self._events.found_at_end([*self._traffic.worse_than_claimed(), *self._quiet.worse_than_claimed()])
        self._unit.baseline.faults.take(self._events.known)
        self._lasted = progress.since(min(self._clock.now(), progress.schedule.end))
        self._recorder.end(
            SoakEnded(
                slot=self._unit.slot,
                since=self._lasted,
                samples=self._samples,
                missed=progress.schedule.missed,
                events=len(self._events.incidents),
                why=progress.stop or _AS_PLANNED,
                ports=self._traffic.tallies(),
                uncounted=self._events.uncounted(),
            )
        )

    def _outcome(self) -> SoakOutcome:
        return SoakOutcome(
            self._plan.duration,
            self._lasted,
            self._samples,
            self._progress.schedule.missed,
            self._events.incidents,
            self._progress.stop or _AS_PLANNED,
            self._conditions.extremes.all(),
            self._traffic.tallies(),
        )

    # -- one step --------------------------------------------------------------------------------------

    def _one(self) -> None:
        """Wait for the next instant, take a sample and do what it asks for."""
        schedule, events = self._progress.schedule, self._events
        instant = schedule.instant
        fast = events.fast_next < instant - _ALIKE * schedule.period
        self._clock.sleep_until(events.fast_next if fast else instant)
        since = self._progress.since(self._clock.now())
        if not fast and self._traffic_due(since):
            self._traffic.send()
        sample = self._sampler.take()
        found = self._conditions.check_stand(sample)
        signs = self._conditions.look(sample)
        if signs:
            found = [*found, *overloads(self._unit), *signs]
        if fast or found or events.open is not None or self._something_due(since):
            self._eventful(sample, found, fast=fast)
        else:
            self._uneventful(sample)

    def _uneventful(self, sample: Sample) -> None:
        """Continue: nothing is asked before the next instant, so time may pass while the sample is kept."""
        self._events.follow(sample, [])
        self._go_to_next()
        schedule = self._progress.schedule
        self._clock.advance_async(min(schedule.instant, self._events.fast_next, schedule.end))
        self._keep(sample)

    def _eventful(self, sample: Sample, found: list[SoakFinding], *, fast: bool) -> None:
        if not fast:
            self._keep(sample)
        if self._events.follow(sample, found):
            self._react()
        if fast or self._progress.stop:
            return
        self._go_to_next()
        self._in_between(sample)

    def _keep(self, sample: Sample) -> None:
        self._recorder.sample(sample.at, sample.values)
        self._samples += 1
        self._progress.last = sample.at
        self._conditions.extremes.keep(sample.values)
        wall = time.monotonic()
        if wall - self._shown_at >= PROGRESS_EVERY:
            self._shown_at = wall
            self._show(sample)

    def _go_to_next(self) -> None:
        missed = self._progress.schedule.taken(self._clock.now())
        if missed:
            self._recorder.missed(missed)

    def _traffic_due(self, since: float) -> bool:
        return since >= self._next_traffic - _ALIKE

    def _something_due(self, since: float) -> bool:
        """Return whether the plan has something between this sample and the next."""
        soonest = min(self._next_traffic, self._next_cycle, self._next_look, self._next_seal)
        return since >= soonest - _ALIKE or self._load.due(since)

    def _in_between(self, sample: Sample) -> None:
        """Do what the plan has between two samples: ports, pattern, seals, power cycles."""
        since = self._progress.since(sample.at)
        if self._traffic_due(since):
            self._next_traffic = next_multiple(since, self._plan.traffic_period)
            found = self._traffic.gather(since, self._conditions.case(sample))
            if found:
                self._events.found(sample, found)
        if since >= self._next_look - _ALIKE:
            self._next_look = next_multiple(since, LOOK_EVERY)
            self._unit.check_drives()
            faults = self._unit.profile.faults
            if faults is not None and (moved := self._events.table_moved()):
                self._events.found(sample, moved)
            if self._events.open is None and (
                wrong := self._looks.take(since, self._conditions.case(sample))
            ):
                self._events.found(sample, wrong)
        if self._load.due(since):
            self._starts.command_load(since)
        if since >= self._next_seal - _ALIKE:
            self._next_seal = since + SEAL_EVERY
            self._recorder.seal(self._traffic.tallies())
            self._unit.supply.instrument.identify()
        cycles = self._plan.cycles
        if cycles is not None and since >= self._next_cycle - _ALIKE and self._events.open is None:
            self._power_cycle(since, cycles)

    def _show(self, sample: Sample) -> None:
        self._recorder.progress(
            SoakStatus(
                slot=self._unit.slot,
                since=self._progress.since(sample.at),
                until=self._progress.since(self._progress.schedule.end),
                current=sample.values[1],
                case=self._conditions.case(sample),
                well=self._conditions.resumed_with(sample),
                events=len(self._events.incidents),
                samples=self._samples,
            )
        )

    # -- reactions and pauses --------------------------------------------------------------------------

    def _react(self) -> None:
        """Do what the plan says when an event is complete."""
        incident, well = self._events.open, self._events.ends_well()
        self._machine.on(Event.COMPLETE)
        self._looks.begin_anew()  # it may have started by itself
        self._progress.stop = self._events.enough()
        if self._progress.stop:
            return
        if self._plan.on_event == "restart" and not well:
            self._progress.pause("restart", "after an event", made_up=False)
            self._machine.on(Event.RESTART_DUE)
            self._start_again(incident)
        elif self._conditions.outputs_unknown:
            self._starts.command_load(self._progress.since(self._clock.now()))

    def _power_cycle(self, since: float, cycles: SoakCycles) -> None:
        self._next_cycle = next_multiple(since, cycles.every)
        self._progress.pause("power cycle", "as planned", made_up=False, planned=True)
        self._machine.on(Event.CYCLE_DUE)
        self._start_again(None, cycles.off)

    def _start_again(self, incident: Incident | None, off: float | None = None) -> None:
        """Switch the unit off and on, which leaves no time for samples."""
        self._traffic.close()
        if self._starts.again(incident, off):
            self._machine.on(Event.RUNNING)
