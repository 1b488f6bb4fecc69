"""Events of a soak as they come: findings that belong together, their fault table, the burst around them.

What is found is kept at once. An event stays open while its burst of fast samples runs and until the unit is
well again, at the longest for the time it may take to start.
"""

from __future__ import annotations

import math
from collections import Counter, deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from itertools import groupby
from typing import Any

from hilseq.description.plans import Soak
from hilseq.errors import UnitFault
from hilseq.journal.entries import PROVOKED, StoredFault
from hilseq.journal.event_names import NOT_COUNTED
from hilseq.journal.run_state import Incident, SoakFinding
from hilseq.journal.soak_entries import PortTally, SoakEventLogged
from hilseq.procedures.memory import Key, added, counted, unusual
from hilseq.procedures.soak.conditions import NEW_FAULT, SIGNS, SoakConditions
from hilseq.procedures.soak.extremes import Extreme
from hilseq.procedures.soak.record import SoakProgress, SoakRecorder
from hilseq.procedures.soak.sampler import Sample, as_row, blank
from hilseq.procedures.soak.states import Event
from hilseq.procedures.soak.traffic import Worse
from hilseq.procedures.unit import Unit
from hilseq.quantities import show_duration

#: From this share of its length on the fault table is cleared, once it has been read and kept.
_FILLED = 0.5


@dataclass(slots=True)
class SoakOutcome:
    """The result of a soak; times in s. `extremes` are to be judged: nothing else says that they keep their limits."""

    planned: float
    lasted: float
    samples: int
    missed: int
    incidents: list[Incident]
    why: str
    extremes: tuple[Extreme, ...] = ()
    ports: Mapping[str, PortTally] = field(default_factory=dict)

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
        # What only the whole soak could tell is kept last, and may have begun first.
        words = min(self.incidents, key=lambda incident: incident.since).sentence
        count = len(self.incidents)
        return words if count == 1 else f"{words}; {count} events in {show_duration(self.lasted)}"


class Events:
    """The events of one soak. `move` moves its states, and keeps of each move what belongs to it."""

    def __init__(
        self,
        unit: Unit,
        plan: Soak,
        recorder: SoakRecorder,
        conditions: SoakConditions,
        columns: tuple[str, ...],
        *,
        progress: SoakProgress,
        move: Callable[[Event, Any], None],
    ) -> None:
        self.incidents: list[Incident] = []
        self.open: Incident | None = None
        #: Time of the clock of the next fast sample; infinite when none is due.
        self.fast_next = math.inf
        self.outputs_on = 0
        self._progress = progress
        self._move = move
        self._unit = unit
        self._plan = plan
        self._recorder = recorder
        self._conditions = conditions
        self._columns = columns
        #: Entries of the fault table that were reported, or stood there before.
        self.known: Counter[Key] = Counter()
        self._uncounted: Counter[tuple[str, str]] = Counter()
        self._ring: deque[Sample] = deque(maxlen=max(1, plan.burst_before))
        self._before: list[Sample] = []
        self._burst: list[Sample] = []

    # -- samples ---------------------------------------------------------------------------------------

    def follow(self, sample: Sample, found: list[SoakFinding]) -> bool:
        """Keep what was found in a sample; tell whether the open event is complete with it."""
        if found:
            self.found(sample, found)
        if self.open is None:
            self._ring.append(sample)
            period = self._plan.pre_trigger_period
            self.fast_next = math.inf if period is None else sample.at + period
            return False
        self._burst.append(sample)
        if len(self._burst) <= self._plan.burst_after:
            # Counted from its own first sample, so that a long burst does not drift either.
            self.fast_next = self._burst[0].at + len(self._burst) * self._plan.burst_period
            return False
        self.fast_next = math.inf
        waited = sample.at - self._burst[0].at
        return self._conditions.resumed_with(sample) or waited >= self._unit.profile.start.ready_within

    def found(self, sample: Sample, found: list[SoakFinding]) -> None:
        """Keep findings at once, with the fault table, as a new event or as part of the open one."""
        found = self._counting(found)
        if not found:
            return
        if self.open is None and self._only_routine(sample, found):
            return
        if self.open is None:
            self.open = self._begun(sample)
            self._before, self._burst = list(self._ring), []
        self._move(Event.FOUND, partial(self._keep_found, self.open, sample, found))

    def _keep_found(self, incident: Incident, sample: Sample, found: list[SoakFinding]) -> None:
        self._keep(incident, sample, [finding for finding in found if finding.what != NEW_FAULT])
        if sample.silence or not self.look_at_faults(incident, sample):
            # The counter moved and the table cannot say why.
            self._keep(incident, sample, [finding for finding in found if finding.what == NEW_FAULT])

    def ends_well(self) -> bool:
        """Return whether the unit was well in the last sample of the burst."""
        return bool(self._burst) and self._conditions.resumed_with(self._burst[-1])

    def close(self, *, cut_off: bool = False) -> None:
        """Keep the burst of the open event and end it."""
        incident, self.open = self.open, None
        assert incident is not None
        zero = self._progress.schedule.zero
        rows = [as_row(sample, zero) for sample in [*self._before, *self._burst]]
        name = f"event {incident.number}: {incident.findings[0].what}" + (", cut off" if cut_off else "")
        self._recorder.burst(name, self._columns, rows)
        self.forget()

    def forget(self) -> None:
        """Forget the samples before: what follows a gap does not belong to them."""
        self._before, self._burst, self.fast_next = [], [], math.inf
        self._ring.clear()

    def did_not_start(self, at: float, fault: UnitFault) -> Incident:
        """Keep that the unit did not come back after a start."""
        sample = blank(at, self._columns)
        incident = self._begun(sample)
        place = fault.places[0] if fault.places else "start"
        found = SoakFinding("did not start again", place, str(fault))
        self._move(Event.NO_START, partial(self._keep_start, incident, sample, found))
        return incident

    def _keep_start(self, incident: Incident, sample: Sample, found: SoakFinding) -> None:
        self._keep(incident, sample, [found])
        self.look_at_faults(incident, sample)

    def found_at_end(self, worse: Sequence[Worse]) -> None:
        """Make events of what only the whole soak could tell, each dated when it began, those of one date together."""
        for since, together in groupby(worse, lambda one: one.since):
            begun = list(together)
            found = self._counting([one.finding for one in begun])
            if found:
                incident = Incident(len(self.incidents) + 1, since, begun[0].case)
                self.incidents.append(incident)
                self._note(incident, found, since, begun[0].case)

    def uncounted(self) -> dict[str, int]:
        """Return how often each sign came that the plan does not count, by sign and place."""
        return {f"{what} ({place})": times for (what, place), times in self._uncounted.items()}

    def _counting(self, found: list[SoakFinding]) -> list[SoakFinding]:
        """Return what counts by the plan; of the rest the first of each is noted, and all are numbered."""
        counts = []
        for finding in found:
            if SIGNS.get(finding.what) not in self._plan.ignored_events:
                counts.append(finding)
                continue
            key = (finding.what, finding.place)
            self._uncounted[key] += 1
            if self._uncounted[key] == 1:
                self._recorder.note(NOT_COUNTED, f"{finding.what}, {finding.place}: {finding.text}")
        return counts

    def look_after_start(self, at: float) -> bool:
        """Make an event of the faults that a start left in the fault table; tell whether there are any new."""
        stored = self._stored()
        if stored is None or self._took_routine(stored) or not added(self.known, stored):
            return False
        sample = blank(at, self._columns)
        self._move(Event.FOUND, partial(self._keep_stored, self._begun(sample), sample, stored))
        return True

    def current_was_outside(self, at: float, words: str) -> bool:
        """Make an event of a current outside its limits after a planned start, where `words` say so; tell whether."""
        if words:
            sample = blank(at, self._columns)
            found = [SoakFinding("current outside its limits", "supply", words)]
            self._move(Event.FOUND, partial(self._keep, self._begun(sample), sample, found))
        return bool(words)

    def _keep_stored(self, incident: Incident, sample: Sample, stored: list[StoredFault]) -> None:
        self._keep_table(f"at event {incident.number}", stored)
        self._take(incident, sample, stored)

    def _begun(self, sample: Sample) -> Incident:
        since = self._progress.since(sample.at)
        incident = Incident(len(self.incidents) + 1, since, self._conditions.case(sample))
        self.incidents.append(incident)
        return incident

    def _keep(self, incident: Incident, sample: Sample, found: list[SoakFinding]) -> None:
        self._note(incident, found, self._progress.since(sample.at), self._conditions.case(sample))

    def _note(self, incident: Incident, found: list[SoakFinding], since: float, case: float | None) -> None:
        known = {(finding.what, finding.place) for finding in incident.findings}
        for finding in found:
            if (finding.what, finding.place) in known:
                continue
            incident.findings.append(finding)
            self._recorder.event(
                SoakEventLogged(
                    slot=self._unit.slot,
                    number=incident.number,
                    since=since,
                    case=case,
                    what=finding.what,
                    place=finding.place,
                    text=finding.text,
                    outputs_on=self.outputs_on,
                )
            )

    def enough(self) -> str:
        """Return why the plan stops after the events so far, nothing while it runs."""
        if self.incidents and self._plan.on_event == "stop":
            return "the plan stops at the first event"
        if len(self.incidents) >= self._plan.stop_after_events:
            return f"the plan stops after {self._plan.stop_after_events} events"
        return ""

    # -- the fault table -------------------------------------------------------------------------------

    def start_from(self, stored: list[Key]) -> None:
        """Take these faults as known: code, place and the unit's own time of each."""
        self.known = Counter(stored)

    def _only_routine(self, sample: Sample, found: list[SoakFinding]) -> bool:
        """Return whether all that was found are entries that a healthy unit stores too."""
        if sample.silence or any(finding.what != NEW_FAULT for finding in found):
            return False
        stored = self._stored()
        return stored is not None and self._took_routine(stored)

    def _took_routine(self, stored: list[StoredFault]) -> bool:
        """Keep a table in which only routine entries are new; tell whether it is one."""
        new = added(self.known, stored)
        if not new or unusual(new):
            return False
        self._keep_table("routine entries", stored)
        self._know(stored)
        return True

    def table_moved(self) -> list[SoakFinding]:
        """Read the fault table, which a unit without a counter has moved unseen; return the outcome."""
        stored = self._stored()
        new = [] if stored is None else added(self.known, stored)
        return [SoakFinding(NEW_FAULT, "stored faults", f"{len(new)} new in the fault table")] if new else []

    def look_at_faults(self, incident: Incident, sample: Sample) -> bool:
        """Read the fault table; what is new in it becomes part of the event. Return whether anything is."""
        stored = self.keep_faults(f"at event {incident.number}")
        return stored is not None and self._take(incident, sample, stored)

    def look_again(self, incident: Incident, at: float) -> None:
        """Read the fault table once more, after the start that followed an event."""
        self.look_at_faults(incident, blank(at, self._columns))

    def _take(self, incident: Incident, sample: Sample, stored: list[StoredFault]) -> bool:
        new = added(self.known, stored)
        found = [SoakFinding(f"fault 0x{fault.code:02X}", fault.place, str(fault)) for fault in unusual(new)]
        self._keep(incident, sample, found)
        self._know(stored)
        return bool(new)

    def _know(self, stored: list[StoredFault]) -> None:
        """Take what is stored as known, and make room for what comes next."""
        self.known = counted(stored)
        table = self._unit.profile.faults
        if table is not None and table.clear is not None and len(stored) >= _FILLED * table.entries:
            # What is stored is kept by now; a full table would hide what comes next.
            with suppress(UnitFault):
                self._unit.faults.clear()
                self.known.clear()
                self._conditions.restarted()

    def _stored(self) -> list[StoredFault] | None:
        if self._unit.profile.faults is None:
            return None
        try:
            return self._unit.faults.read()
        except UnitFault:
            return None

    def _keep_table(self, when: str, stored: list[StoredFault]) -> None:
        self._recorder.faults(when, stored)

    def keep_faults(self, when: str) -> list[StoredFault] | None:
        """Read and keep the fault table; None when the unit has none or does not answer."""
        stored = self._stored()
        if stored is not None:
            self._keep_table(when, stored)
        return stored

    def clear_faults(self) -> None:
        """Keep what is stored when the soak begins, and again what of it the stand has provoked; then clear it."""
        stored = self.keep_faults("before the soak")
        if stored is None:
            return
        provoked = self._unit.baseline.faults.accounted(stored)
        if provoked and self._unit.faults.clearable:
            self._keep_table(PROVOKED, provoked)
        if stored:
            try:
                self._unit.faults.clear()
                stored = self._unit.faults.read()
            except UnitFault:
                return
        self.known = counted(stored)
