"""The state of a run: one fold over its entries, the same object while it runs and from its file.

Everything that shows, stores, judges or continues a run reads this state. What only the outside knows of a run,
whether its process is alive and whether its sample files are whole, is looked for by `hilseq.live.follower` and
`hilseq.journal.seals`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any, assert_never

from hilseq.analysis.soak_events import reported
from hilseq.analysis.uncertainty import DecisionRule
from hilseq.journal.entries import (
    PROVOKED,
    CausesStated,
    CertificateStated,
    CheckEnded,
    CheckPlanned,
    CheckStarted,
    EventLogged,
    FaultsRead,
    InputFile,
    InstrumentIdentified,
    JournalEntry,
    KnownCause,
    MadeSafe,
    PlanCompared,
    PriorRun,
    Reading,
    RunEnded,
    RunResumed,
    RunStarted,
    StoredFault,
    TableKept,
    UnitUnderTest,
)
from hilseq.journal.event_names import INTERLOCK
from hilseq.journal.signatures import Signatures
from hilseq.journal.soak_entries import (
    PortTally,
    SamplesMissed,
    SamplesSealed,
    SoakEnded,
    SoakEventLogged,
    SoakGap,
    SoakStarted,
)
from hilseq.quantities import show_duration
from hilseq.verdicts import WORST_FIRST, CheckVerdict, Disposition, Obstacle, dispose, exit_code

#: What a resumed run does again.
_OPEN = (CheckVerdict.NOT_PERFORMED, CheckVerdict.STAND_FAULT)


class RunStatus(StrEnum):
    """How a run stands. `unfinished` has no end and is not known to be alive: cut off, killed, or silent."""

    RUNNING = "running"
    COMPLETED = "completed"
    INTERRUPTED = "interrupted"
    UNFINISHED = "unfinished"
    DAMAGED = "damaged"


@dataclass(slots=True)
class CheckState:
    """One check: what was planned, and its result so far."""

    id: str
    sequence: str
    stage: str
    title: str
    slot: str
    place: str
    gate: bool
    #: What the check shows, in a sentence; runs of earlier versions have none.
    sentence: str = ""
    verdict: CheckVerdict = CheckVerdict.NOT_PERFORMED
    why: str = "the run ended before this check"
    #: What kept it from being performed, where that decides what is done next.
    obstacle: Obstacle | None = None
    places: tuple[str, ...] = ()
    seconds: float = 0.0
    started: bool = False
    ended: bool = False
    #: When it began and ended, s of the run's clock.
    begun_at: float = 0.0
    ended_at: float = 0.0
    #: Whether a resumed run does it again.
    open: bool = True
    readings: list[Reading] = field(default_factory=list)
    tables: list[TableKept] = field(default_factory=list)
    #: Of a soak: by place, the first sign there was.
    signs: dict[str, SoakEventLogged] = field(default_factory=dict)

    @property
    def element(self) -> str:
        """What it was made for, such as `q05` or `stopped to held`; empty where its test is made once."""
        return self.id.partition("[")[2].removesuffix("]")

    def found_at(self, place: str) -> str:
        """Return what was found at a place: its own sign, where several failed at different times."""
        own = self.signs.get(place) if self.verdict is CheckVerdict.FAILED and len(self.places) > 1 else None
        return (
            self.why if own is None else reported(show_duration(own.since), own.case, [(own.what, own.text)])
        )


@dataclass(frozen=True, slots=True)
class UnitFinding:
    """One fault found: where, what, by which check."""

    place: str
    what: str
    check: str


@dataclass(frozen=True, slots=True)
class SoakFinding:
    """One sign of a failure during a soak: what, at which place of the profile, in words."""

    what: str
    place: str
    text: str


@dataclass(slots=True)
class Incident:
    """Findings that came together: one failure, however many signs it had.

    `since` is in seconds since the soak began; `case` is the case temperature then, \u00b0C, where known.
    """

    number: int
    since: float
    case: float | None
    findings: list[SoakFinding] = field(default_factory=list)

    @property
    def sentence(self) -> str:
        """The incident in a sentence: what, when, at which temperature, why."""
        findings = [(finding.what, finding.text) for finding in self.findings]
        return reported(show_duration(self.since), self.case, findings)


@dataclass(slots=True)
class SoakState:
    """One soak of one unit; times in seconds since it began, unless said otherwise."""

    started: SoakStarted
    events: list[SoakEventLogged] = field(default_factory=list)
    incidents: list[Incident] = field(default_factory=list)
    gaps: list[SoakGap] = field(default_factory=list)
    notes: list[EventLogged | SamplesMissed] = field(default_factory=list)
    #: The fault table as it was read last.
    faults: tuple[StoredFault, ...] = ()
    seals: list[SamplesSealed] = field(default_factory=list)
    ended: SoakEnded | None = None
    #: Time of the last entry.
    last: float = 0.0

    @property
    def until(self) -> float:
        """End of the soak as planned: later where time was lost."""
        return self.gaps[-1].until if self.gaps else self.started.end - self.started.zero

    @property
    def sealed(self) -> SamplesSealed | None:
        """The last seal on its samples."""
        return self.seals[-1] if self.seals else None

    @property
    def missed(self) -> int:
        """Samples for which the stand was too slow."""
        return sum(note.count for note in self.notes if isinstance(note, SamplesMissed))

    @property
    def ports(self) -> Mapping[str, PortTally]:
        """What the ports had carried when that was last kept."""
        if self.ended is not None:
            return self.ended.ports
        return self.sealed.ports if self.sealed is not None else {}

    def _take(self, entry: JournalEntry) -> None:
        self.last = max(self.last, entry.t - self.started.zero)
        match entry:
            case SoakEventLogged():
                self.events.append(entry)
                self._incident(entry).findings.append(SoakFinding(entry.what, entry.place, entry.text))
            case SoakGap():
                self.gaps.append(entry)
            case EventLogged() | SamplesMissed():
                self.notes.append(entry)
            case FaultsRead():
                self.faults = entry.entries
            case SamplesSealed():
                self.seals.append(entry)
            case SoakEnded():
                self.ended = entry
            case _:
                pass

    def _incident(self, entry: SoakEventLogged) -> Incident:
        """Return the incident of an event: a start after it may have begun the next one meanwhile."""
        for incident in reversed(self.incidents):
            if incident.number == entry.number:
                return incident
        self.incidents.append(Incident(entry.number, entry.since, entry.case))
        return self.incidents[-1]


@dataclass(slots=True)
class UnitState:
    """Everything a run says about one unit."""

    described: UnitUnderTest
    rule: DecisionRule
    checks: list[CheckState] = field(default_factory=list)
    faults: list[FaultsRead] = field(default_factory=list)
    events: list[EventLogged | SamplesMissed] = field(default_factory=list)
    soak: SoakState | None = None
    #: How the run compares with the approved plan; None in runs of before there were any.
    plan: PlanCompared | None = None
    #: The causes of its profile.
    known_causes: tuple[KnownCause, ...] = ()
    #: What its certificate says beside what was found; None in runs of before there was any of it.
    paper: CertificateStated | None = None
    #: What is wrong with the sample file of its soak; empty when the journal's seals fit, or nobody looked.
    damage: str = ""

    def _take(self, entry: JournalEntry) -> None:
        match entry:
            case EventLogged() | SamplesMissed():
                self.events.append(entry)
            case FaultsRead():
                self.faults.append(entry)
            case PlanCompared():
                self.plan = entry
            case CausesStated():
                self.known_causes = entry.causes
            case CertificateStated():
                self.paper = entry
            case _:
                pass

    @property
    def slot(self) -> str:
        """The slot that it sits in."""
        return self.described.slot

    @property
    def serial(self) -> str:
        """Its serial number."""
        return self.described.serial

    @property
    def part(self) -> str:
        """Its type number."""
        return self.described.part

    @property
    def description(self) -> str:
        """What its profile says it is."""
        return self.described.description

    @property
    def intake(self) -> Mapping[str, Any]:
        """What the intake says about it."""
        return self.described.intake

    @property
    def unmeasured(self) -> tuple[str, ...]:
        """What the profile claims and this stand cannot measure, in words."""
        return self.described.unmeasured

    @property
    def stages(self) -> dict[str, list[CheckState]]:
        """Its checks by stage, in the order of the visit."""
        found: dict[str, list[CheckState]] = {}
        for check in self.checks:
            found.setdefault(check.stage, []).append(check)
        return found

    @property
    def provoked(self) -> set[StoredFault]:
        """The stored faults that the stand itself has provoked."""
        return {fault for read in self.faults if read.when == PROVOKED for fault in read.entries}

    @property
    def unapproved(self) -> str:
        """Why this run is not the approved plan of the unit's type, in words; empty when it is."""
        if self.plan is None:
            return "the run knows of no approved plan"
        return "; ".join(self.plan.differences)

    @property
    def prior_runs(self) -> tuple[PriorRun, ...]:
        """Its earlier visits."""
        return self.described.prior_runs

    @property
    def disposition(self) -> Disposition:
        """What is done with the unit, by its checks alone."""
        return dispose(check.verdict for check in self.checks)

    @property
    def findings(self) -> list[UnitFinding]:
        """What the checks found, one per place and check: the stand's faults when the stand failed.

        Of a unit of which nothing failed, what kept a check from being performed where that has a place: its link.
        What unit and harness explain alike is reported beside what failed.
        """
        blamed = {
            Disposition.STAND_FAULT: CheckVerdict.STAND_FAULT,
            Disposition.INCOMPLETE: CheckVerdict.NOT_PERFORMED,
        }.get(self.disposition, CheckVerdict.FAILED)
        return [
            UnitFinding(place, check.found_at(place), check.id)
            for check in self.checks
            if check.verdict is blamed
            or (blamed is CheckVerdict.FAILED and check.obstacle is Obstacle.UNIT_OR_HARNESS)
            for place in check.places or (() if blamed is CheckVerdict.NOT_PERFORMED else (check.place,))
        ]


class RunState:
    """One run. Made of its first entry, and given every further one by `take`.

    `chain`, `torn` and `broken` say about the file it was read from: its last chain value, the bytes of an unfinished
    last line, and what is wrong with it.
    """

    def __init__(self, started: RunStarted) -> None:
        self.header = started
        self.units = [
            UnitState(unit, started.decision_rules.get(unit.slot, DecisionRule.GUARDED))
            for unit in started.units
        ]
        self.instruments: list[InstrumentIdentified] = []
        #: Events of the stand, which concern no unit.
        self.events: list[EventLogged | SamplesMissed] = []
        self.safe: list[MadeSafe] = []
        self.resumed: list[RunResumed] = []
        #: How the run ended; None while it runs, also when it was taken up again.
        self.end: RunEnded | None = None
        #: The event of the last interlock; None once it is acknowledged.
        self.interlock: EventLogged | None = None
        self.chain, self.torn, self.broken = "", 0, ""
        #: What lies beside the journal, where somebody has looked for it.
        self.signatures = Signatures()
        self._last: JournalEntry = started
        self._units = {unit.slot: unit for unit in self.units}
        self._checks: dict[str, CheckState] = {}
        self._soaked = False

    # -- the fold ------------------------------------------------------------------------------------

    def take(self, entry: JournalEntry) -> None:
        """Take the next entry. Raises ValueError where no run writes it."""
        self._last = entry
        match entry:
            case RunStarted():
                raise ValueError("a second beginning of the run")
            case InstrumentIdentified():
                self.instruments.append(entry)
            case CheckPlanned() | CheckStarted() | Reading() | TableKept() | CheckEnded():
                self._take_of_check(entry)
            case EventLogged():
                if entry.what.startswith(INTERLOCK):
                    self.interlock = entry if entry.what == INTERLOCK else None
                self._take_of_slot(entry)
            case (
                FaultsRead()
                | PlanCompared()
                | CausesStated()
                | CertificateStated()
                | SoakStarted()
                | SoakEventLogged()
                | SoakGap()
                | SamplesMissed()
                | SamplesSealed()
                | SoakEnded()
            ):
                self._take_of_slot(entry)
            case MadeSafe():
                self.safe.append(entry)
            case RunResumed():
                self.resumed.append(entry)
                self.end = None
            case RunEnded():
                self.end = entry
            case _:
                assert_never(entry)

    def _take_of_check(self, entry: CheckPlanned | CheckStarted | Reading | TableKept | CheckEnded) -> None:
        if isinstance(entry, CheckPlanned):
            check = CheckState(
                entry.check,
                entry.sequence,
                entry.stage,
                entry.title,
                entry.slot,
                entry.place,
                entry.gate,
                entry.sentence,
            )
            self._checks[check.id] = check
            self._unit(entry.slot).checks.append(check)
            return
        check = self.check(entry.check)
        match entry:
            case CheckStarted():
                check.started, check.ended = True, False
                check.begun_at = entry.t
                check.verdict, check.why = CheckVerdict.NOT_PERFORMED, "the run ended during this check"
                check.places, check.obstacle = (), None
                # One that is repeated counts as it went the last time.
                check.readings.clear()
                check.tables.clear()
            case Reading():
                check.readings.append(entry)
            case TableKept():
                check.tables.append(entry)
            case CheckEnded():
                check.ended = True
                check.verdict, check.why, check.places = entry.verdict, entry.why, entry.places
                check.obstacle = entry.obstacle
                check.seconds, check.ended_at = entry.seconds, entry.t
                check.open = check.open and self._soaked and entry.verdict in _OPEN

    def _take_of_slot(
        self,
        entry: EventLogged
        | FaultsRead
        | PlanCompared
        | CausesStated
        | CertificateStated
        | SoakStarted
        | SoakEventLogged
        | SoakGap
        | SamplesMissed
        | SamplesSealed
        | SoakEnded,
    ) -> None:
        if not entry.slot:
            if isinstance(entry, EventLogged):
                self.events.append(entry)
            return
        unit = self._unit(entry.slot)
        if isinstance(entry, SoakStarted):
            unit.soak, self._soaked = SoakState(entry), True
        elif unit.soak is not None and unit.soak.ended is None:
            unit.soak._take(entry)  # noqa: SLF001 - one fold
            if isinstance(entry, SoakEventLogged):
                self.check(unit.soak.started.check).signs.setdefault(entry.place, entry)
        unit._take(entry)  # noqa: SLF001 - one fold

    def _unit(self, slot: str) -> UnitState:
        if slot not in self._units:
            raise ValueError(f"an entry of slot {slot}, which the run does not have")
        return self._units[slot]

    # -- reading it ----------------------------------------------------------------------------------

    def unit(self, slot: str) -> UnitState:
        """Return the unit in a slot. Raises KeyError when the run has no such slot."""
        return self._units[slot]

    def check(self, name: str) -> CheckState:
        """Return a check. Raises ValueError when it was not planned."""
        if name not in self._checks:
            raise ValueError(f"an entry of the check {name}, which was not planned")
        return self._checks[name]

    @property
    def checks(self) -> list[CheckState]:
        """All checks of all units, in their order."""
        return list(self._checks.values())

    @property
    def run(self) -> str:
        """Name of the run."""
        return self.header.run

    @property
    def stand(self) -> str:
        """Name of the stand."""
        return self.header.stand

    @property
    def hilseq(self) -> str:
        """Version of hilseq that made the run."""
        return self.header.hilseq

    @property
    def simulated(self) -> bool:
        """Whether the stand was a simulated one."""
        return self.header.simulated

    @property
    def inputs(self) -> tuple[InputFile, ...]:
        """The files that the run was given."""
        return self.header.inputs

    def given(self, role: str) -> InputFile | None:
        """Return the file that the run was given for something; None where its journal keeps none."""
        return next((one for one in self.inputs if one.role == role), None)

    @property
    def boot(self) -> str:
        """Boot id of the computer that writes the run now."""
        return self.resumed[-1].boot if self.resumed else self.header.boot

    @property
    def started(self) -> str:
        """Date of the first entry."""
        return self.header.at

    @property
    def ended(self) -> str:
        """Date of the end, or of the last entry."""
        return (self.end or self._last).at

    @property
    def seconds(self) -> float:
        """Seconds of the run's clock between its first and its last entry."""
        return self._last.t - self.header.t

    @property
    def last(self) -> float:
        """The run's clock at the last entry, s."""
        return self._last.t

    @property
    def moment_of_zero(self) -> datetime:
        """The instant at which the run's clock was 0."""
        return datetime.fromisoformat(self.header.at) - timedelta(seconds=self.header.t)

    @property
    def complete(self) -> bool:
        """Whether the run came to its end."""
        return self.end is not None and not self.broken

    @property
    def interrupted(self) -> bool:
        """Whether the run was cut off, or ended early."""
        return self.end is None or self.end.interrupted

    @property
    def whole(self) -> bool:
        """Whether the run came to its own end and its journal is sound to the last byte."""
        return self.complete and not self.interrupted and not self.torn

    @property
    def sound(self) -> bool:
        """Whether the run is whole and so is all that its journal has sealed."""
        return self.whole and not any(unit.damage for unit in self.units)

    @property
    def status(self) -> RunStatus:
        """How the run stands by its journal alone, which does not know whether its process is alive."""
        if self.broken:
            return RunStatus.DAMAGED
        if self.end is None or self.torn:
            return RunStatus.UNFINISHED
        return RunStatus.INTERRUPTED if self.end.interrupted else RunStatus.COMPLETED

    @property
    def why_it_broke_off(self) -> str:
        """Why a run is not at the end of its plan, in words."""
        if self.end is None:
            return "the run was cut off"
        return "the run was interrupted" if self.end.interrupted else "the stand failed"

    @property
    def open_checks(self) -> frozenset[str]:
        """The checks that were not done because the run stopped in its soak."""
        return frozenset(check.id for check in self._checks.values() if check.open)

    @property
    def unsafe(self) -> str:
        """Why the stand's safe state was not verified the last time it was commanded; empty when it was."""
        if not self.safe or self.safe[-1].verified:
            return ""
        return self.safe[-1].why or "no reason was noted"

    @property
    def exit_code(self) -> int:
        """The worst exit code of the units, from their checks alone (the run may still be running)."""
        return int(exit_code(unit.disposition for unit in self.units))

    def final(self, unit: UnitState) -> Disposition:
        """Return what may be stated about the unit: an incomplete run releases nothing.

        Nor does one whose samples of this unit are damaged or missing: nobody can look at them again. Nor does
        one that could not make safe the part of the stand that the unit is on.
        """
        disposition = unit.disposition
        if disposition is Disposition.SHIP and (unit.damage or not self.whole):
            return Disposition.INCOMPLETE
        concerned = self.safe[-1].slots if self.unsafe else ()
        unsafe = bool(self.unsafe) and (not concerned or unit.slot in concerned)
        if disposition in (Disposition.SHIP, Disposition.INCOMPLETE) and unsafe:
            return Disposition.STAND_FAULT
        return disposition

    @property
    def final_exit_code(self) -> int:
        """The worst of the units' final codes and of the code that the run noted at its end."""
        noted = None if self.end is None else self.end.exit_code
        codes = {int(exit_code(self.final(unit) for unit in self.units)), noted}
        return next((int(code) for code in WORST_FIRST if code in codes), int(WORST_FIRST[0]))


def fold(entries: Iterable[JournalEntry]) -> RunState:
    """Return the state that a run's entries make. Raises ValueError when they do not tell a run."""
    rest = iter(entries)
    first = next(rest, None)
    if not isinstance(first, RunStarted):
        raise ValueError("it does not begin with a run")  # noqa: TRY004 - what is wrong is the journal
    state = RunState(first)
    for entry in rest:
        state.take(entry)
    return state
