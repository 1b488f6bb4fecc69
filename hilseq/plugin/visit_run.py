"""One visit, from the first journal line to the safe state and the reports.

That line holds everything the run was given, word for word.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import cached_property
from pathlib import Path
from typing import NoReturn, TypeAlias

import pytest

import hilseq
from hilseq.clock import Clock, WallClock, compose
from hilseq.description.golden import golden_visit
from hilseq.description.profile import Profile
from hilseq.description.visit import Visit
from hilseq.errors import HilseqError, StandFault, UsageError, fenced, in_words
from hilseq.extensions import Extensions
from hilseq.hooks import Element
from hilseq.interrupts import held_back
from hilseq.journal.entries import (
    CheckEnded,
    CheckPlanned,
    CheckStarted,
    EventLogged,
    JournalEntry,
    MadeSafe,
    OperatorPrompt,
    Population,
    RunEnded,
    RunResumed,
    RunStarted,
)
from hilseq.journal.event_names import AMBIENT, CONDITIONS, FOLDER_RENAMED
from hilseq.journal.reader import left_by_a_run
from hilseq.journal.run_state import RunState
from hilseq.journal.soak_entries import SoakStatus
from hilseq.journal.writer import FILE_NAME as JOURNAL
from hilseq.journal.writer import JournalWriter, boot_id
from hilseq.plugin.journal_signing import JournalSigning
from hilseq.plugin.options import VisitOptions
from hilseq.plugin.other_runs import Resumed, failed_before, populations_known, repairs_known, resumed_run
from hilseq.plugin.parametrize import elements_of
from hilseq.plugin.run_header import default_folder, run_header
from hilseq.plugin.stand_hold import StandHold
from hilseq.procedures.bench import Bench
from hilseq.procedures.operator import Nobody, Operator, Rehearsal
from hilseq.procedures.soak.record import ResumedSoak
from hilseq.procedures.wiring import served_by
from hilseq.stepped import SteppedClock
from hilseq.twin import Twin, read_endpoints, repoint

#: Entries that hooks write.
_OF_HOOKS = (CheckPlanned, CheckStarted, CheckEnded, MadeSafe, RunEnded)
#: Whoever watches a run is given its entries and, between them, how a soak goes.
Observer: TypeAlias = Callable[[JournalEntry | SoakStatus], None]


#: The visit of a session, in its configuration's stash.
RUN = pytest.StashKey["VisitRun"]()


class VisitRun:
    """Owns the twin, the clock, the journal and the bench of one visit.

    One that does not hand over makes safe itself, and its guard, which acts when it dies, leaves no file. One that
    leaves running powers nothing, and does not touch a stand that is found with an output on.
    """

    def __init__(
        self, options: VisitOptions, visit: Visit, *, hands_over: bool = True, leaves_running: bool = False
    ) -> None:
        self._hands_over = hands_over
        self._leaves_running = leaves_running
        self.options = options
        self.visit = visit
        self.extensions = Extensions()
        self.folder = options.out or default_folder(list(options.serials.values()))
        #: Where it began; somebody may rename it.
        self.first_folder = self.folder
        self.clock: Clock = WallClock()
        self._journal: JournalWriter | None = None
        self._twin: Twin | None = None
        self.hold = StandHold(self.event, powers_nothing=leaves_running)
        self._safe = True
        self._bench: Bench | None = None
        self._bench_fault: StandFault | None = None
        self._stand = visit.stand
        #: Who is asked for what only a person can do.
        self.operator: Operator = options.operator or Nobody()
        #: By slot, the checks that failed in the run that this one follows after a repair.
        self.failed_before = failed_before(options.retest, options.serials) if options.retest else {}
        #: What was noted before there was a journal.
        self._early: list[JournalEntry] = []
        #: The interrupted run that is continued.
        self.resumed: Resumed | None = None
        self._reopened: JournalWriter | None = None
        #: Why nothing more can be written.
        self.disk_fault: StandFault | None = None
        #: Called with every journal entry, after it is on the disk.
        self.observers: list[Observer] = []
        self._notes = False
        self._signing = JournalSigning()
        #: The state of the run by all entries so far; None before the first.
        self.state: RunState | None = None

    def start(self) -> None:
        """Hold the stand, or start the twin when one is asked for, and the clock.

        Raises UsageError for an impossible defect, StandInUse for a stand that others use or that is kept off.
        """
        options = self.options
        taken = self.folder / JOURNAL
        self._check_soak_plans()
        if options.resume is not None:
            self.resumed = resumed_run(options.resume, acknowledged=options.acknowledge)
            self.folder = self.first_folder = options.resume
            # Opened here, where a run that is still active is refused before anything is powered.
            self._reopened = JournalWriter(self.folder, resume=True)
        elif taken.exists():
            raise UsageError(f"{taken} already exists; a journal is never written over: give another --out")
        elif left := left_by_a_run(self.folder):
            # Beside the journal of a run that is killed they would look as if they were made of it.
            raise UsageError(
                f"{self.folder} holds {left[0]} of another run, and no journal of it: give another --out"
            )
        if options.simulate:
            self._use_twin()
        if self._stand.simulated_clock:
            self.clock = clock = SteppedClock(self._stand.simulated_clock)
            self.operator = Rehearsal(self.operator, clock.turn)
            if self.resumed is not None:
                # A new twin begins at zero: it lives, unpowered, to where the run stopped.
                self.clock.sleep_until(self.resumed.last)
        elif self.resumed is not None:
            self.clock = WallClock.since(self.resumed.started, at_least=self.resumed.last)
        if self._twin is None:
            # A twin of our own ends with this process; everything else is held, and needs the guard.
            handed = self._hands_over
            self.hold.take(
                self._stand,
                tuple(self.visit.profiles) or tuple(self._stand.slots),
                "resume" if options.resume else "run" if handed else "ready",
                dict(options.serials) if handed else None,
                self.clock,
                folder=self.folder if handed else None,
                heed_interlock=self._heed_interlock,
                switch_off=self._command_off,
            )

    def _use_twin(self) -> None:
        """Use the twin that several visits share, or start one."""
        options = self.options
        if options.twin is not None:
            self._stand = repoint(self.visit.stand, read_endpoints(options.twin))
            return
        self._twin = Twin(
            options.stand,
            options.units,
            serials=options.serials,
            seed=options.seed,
            defects=options.defects,
            real_timing=options.real_timing,
            defect_files=options.defect_files,
        )
        import pyvisa_py  # noqa: F401 - takes as long as the twin, which starts meanwhile; needed soon

        self._stand = repoint(self.visit.stand, self._twin.endpoints)

    def _command_off(self) -> None:
        """Send what switches the supplies off; that it has is verified by whoever makes safe."""
        if self._bench is not None and not self._bench.is_left_alone:
            for supply in self._bench.instruments.supplies.values():
                supply.command_power_off()

    def _heed_interlock(self) -> None:
        """Raise an interlock that others have seen; not out of a hook that only takes a note."""
        if self._bench is not None and not self._notes:
            self._bench.heed_interlock()

    def repairs_of(self, part: str) -> dict[str, tuple[int, int]]:
        """Return by action how many units of a part it was done to, and how many it cured, by the records."""
        return repairs_known(self.folder.parent, part, simulated=self.options.simulate)

    def populations_of(self, profile: Profile) -> tuple[Population, ...]:
        """Return what the records know of the key readings of a type of unit."""
        runs, simulated = self.folder.parent, self.options.simulate
        return populations_known(runs, profile.part, profile.key_readings, simulated=simulated)

    @cached_property
    def elements(self) -> dict[str, Element]:
        """What a test may ask for, to become one check per value."""
        return elements_of(self.extensions)

    def make_folder(self) -> None:
        """Make the run's folder. Raises UsageError."""
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            words = f"the folder {self.folder} cannot be made: {error.strerror}; give another --out"
            raise UsageError(words) from None

    def _check_soak_plans(self) -> None:
        for slot, profile in self.visit.profiles.items():
            if self.options.soak and profile.soak is None:
                if self.options.resume is not None:
                    raise UsageError(
                        f"{self.options.resume}: {profile.part} has no soak, and a run is continued in its soak only; "
                        "test the unit again"
                    )
                raise UsageError(f"--soak: the profile of slot {slot} ({profile.part}) has no soak plan")
        if self.options.soak and self.options.resume is None and not self._is_simulated:
            self._require_watchdogs()

    @property
    def _is_simulated(self) -> bool:
        return self.options.simulate or self._stand.simulated

    def _require_watchdogs(self) -> None:
        """Raise UsageError where a soak would run on a supply that nobody watches should this computer fail."""
        for name in dict.fromkeys(self._stand.slots[slot].supply for slot in self.visit.profiles):
            supply = self._stand.supplies[name]
            if supply.watchdog is None and supply.without_watchdog is None:
                raise UsageError(
                    f"--soak: supply {name} has no watchdog of its own, and would stay on should this computer fail: "
                    f"expected `watchdog` at supply {name} in {self.options.stand}, or the reason why a soak may run "
                    "without: `without-watchdog: REASON`"
                )

    def open_journal(self, sequences: Sequence[Path]) -> None:
        """Begin the journal with everything the run was given."""
        early, self._early = self._early, []
        header = run_header(self.folder, self.options, self.visit, sequences, simulated=self._stand.simulated)
        with held_back(again=True):  # a journal without its first line tells nothing
            self._journal = JournalWriter(self.folder)
            self._journal.clock = self.clock
            self.note(header)
            # What the run was given is signed at once: only that is run again, should it be resumed.
            self._sign(self._journal)
        for entry in early:
            self.note(entry)

    def note(self, entry: JournalEntry) -> None:
        """Append to the journal; durable when this returns. What comes too early follows its header."""
        if self._journal is None:
            self._early.append(entry)
            return
        if self.disk_fault is not None:
            return
        self._notes = True
        # An owner that has gone is reported by what waits for it, and never by a hook.
        with suppress(StandFault):
            self.clock.tick()
        self._notes = False
        self.follow_folder()
        try:
            with self.on_disk():
                entry = self._journal.write(entry)
        except StandFault:
            if isinstance(entry, _OF_HOOKS):
                # Raised inside a hook of pytest it would end everything with a traceback; it is reported at the end.
                return
            raise
        if isinstance(entry, RunStarted):
            self.state = RunState(entry)
        elif self.state is not None:
            self.state.take(entry)
        if self._signing.is_due(entry.t):
            self._sign(self._journal)
        self.show(entry)

    def _sign(self, journal: JournalWriter, *, final: bool = False) -> None:
        assert self.state is not None
        self._signing.sign(journal, self.state, self.folder, final=final)

    @contextmanager
    def on_disk(self) -> Iterator[None]:
        """Guard what writes to the run's folder. Raises StandFault, with the stand safe, when it fails."""
        try:
            yield
        except OSError as error:
            self.disk_failed(error)

    def disk_failed(self, error: OSError) -> NoReturn:
        """Make the stand safe, then report that nothing more can be written. What was written stays whole."""
        if self.disk_fault is None:
            self.disk_fault = self._cannot_be_written(error, f"hilseq resume {self.folder}")
            self.make_safe()
        raise self.disk_fault

    def reports_failed(self, error: OSError) -> None:
        """Report that the run has ended, and that its reports cannot be written."""
        self.disk_fault = self._cannot_be_written(error, f"hilseq report {self.folder}")

    def _cannot_be_written(self, error: OSError, then: str) -> StandFault:
        left = f"what was written before is whole. Put it right, then: {then}"
        if self.is_gone:
            left = "its journal is gone, and with it all that this run has found: test the unit again"
        return StandFault(
            f"the run's folder {self.folder} cannot be written any more ({error.strerror or error}); {left}",
            place="disk",
        )

    def follow_folder(self) -> None:
        """Take note of a folder that was renamed under the run, and continue in it: nothing is lost."""
        if self._journal is None:
            return
        now = self._journal.where_now()
        if now == self._journal.path:
            return
        before, self.folder, self._journal.path = self.folder, now.parent, now
        self.event(FOLDER_RENAMED, f"{before} was renamed to {self.folder}; the run continues there")

    @property
    def is_gone(self) -> bool:
        """Return whether somebody deleted or moved the journal under the run."""
        return not (self.folder / JOURNAL).exists()

    def show(self, entry: JournalEntry | SoakStatus) -> None:
        """Show something to whoever watches, without keeping it."""
        for observe in list(self.observers):
            fine = False
            with fenced("the display of this run has failed and shows nothing more"):
                observe(entry)
                fine = True
            if not fine:
                self.observers.remove(observe)

    def note_conditions(self, slot: str) -> None:
        """Take note of how warm it is at a unit; what cannot be read now is for its check to find."""
        if self._bench is None:
            return
        with suppress(HilseqError):
            if words := self._bench.temperatures(slot):
                self.event(CONDITIONS, words, slot)

    def golden(self, slot: str) -> str:
        """Return in words which visit of a known good unit shows the harness of a slot right; empty without one."""
        part = self.visit.profiles[slot].part
        kept = golden_visit(self.visit.stand_path, self.visit.stand, part, simulated=self._stand.simulated)
        return "" if kept is None else f"{kept.part} {kept.serial} on {kept.on} (run {kept.run}, {kept.by})"

    def golden_charts(self, slot: str) -> list[str]:
        """Return in words which control charts of the known good unit are left, so that the stand is closed."""
        part = self.visit.profiles[slot].part
        kept = golden_visit(self.visit.stand_path, self.visit.stand, part, simulated=self._stand.simulated)
        return [] if kept is None else kept.out_of_control()

    def soak_state(self, slot: str) -> ResumedSoak | None:
        """Return the interrupted soak that is to be continued in a slot."""
        return None if self.resumed is None else self.resumed.soaks.get(slot)

    def reopen_journal(self) -> None:
        """Continue the journal of an interrupted run; a torn tail is cut, and reported."""
        assert self.resumed is not None
        assert self._reopened is not None
        self._journal = self._reopened
        self._journal.clock = self.clock
        self.state = self.resumed.state
        for entry in self.resumed.beginning:
            self.show(entry)
        self.note(
            RunResumed(
                torn=self._journal.cut, why=self.resumed.why, hilseq=hilseq.__version__, boot=boot_id()
            )
        )

    def event(self, what: str, text: str, slot: str = "", prompt: OperatorPrompt | None = None) -> None:
        """Append an event."""
        self.note(EventLogged(what=what, text=text, slot=slot, prompt=prompt))

    def bench(self) -> Bench:
        """Return the opened bench. Raises the same StandFault again when no slot of it can be used."""
        bench = self.opened()
        if bench.unusable.keys() >= set(bench.slots):
            raise next(iter(bench.unusable.values()))
        return bench

    def opened(self) -> Bench:
        """Return the bench, opened once, in whatever state its slots are. Raises StandFault without guard."""
        if self._bench_fault is not None:
            raise self._bench_fault
        if self._bench is None:
            options = self.options
            bench = Bench(
                self._stand,
                self.visit.profiles,
                options.serials,
                self.clock,
                self.event,
                operator=self.operator,
                intakes=options.intakes,
                may_power=self.hold.require_not_to_end,
                **self.hold.for_bench(),
            )
            self._bench = bench
            if bench.is_watched:
                self.clock.tick = compose(self.clock.tick, bench.kick_watchdog)
            try:
                for instrument in bench.prepare(
                    leave_running=self._leaves_running, before_touching=self.hold.wait_until_guarded
                ):
                    self.note(instrument)
                self._note_ambient(bench)
            except StandFault as fault:
                self._bench_fault = fault
                raise
        return self._bench

    def _note_ambient(self, bench: Bench) -> None:
        """Keep the temperature around the instruments, where the stand measures it; what is wrong is found later."""
        name = self._stand.ambient
        if name is not None:
            with suppress(HilseqError):
                measured = bench.signals.measure(name)
                self.event(AMBIENT, f"{measured.value:.1f} \u00b0C around the instruments")

    @property
    def journal_is_open(self) -> bool:
        """Return whether the run has begun and not yet ended."""
        return self._journal is not None

    def make_safe(self, slot: str | None = None) -> tuple[str, list[str]]:
        """Make one slot, or all of the visit, safe if the bench was opened; no signal interrupts it.

        Returns what went wrong, or an empty text, and the slots that it concerns.
        """
        if self._bench is None:
            return "", []
        why, concerned = "", list[str]()
        with held_back(again=slot is not None):
            try:
                self._bench.make_safe(slot)
            except Exception as error:  # noqa: BLE001 - of any kind: the stand was not made safe
                why = in_words(error)
                reached = [served_by(self._stand, place) for place in getattr(error, "places", ())]
                concerned = [
                    s for s in self.visit.profiles if not reached or s in frozenset().union(*reached)
                ]
            if slot is None:
                self._safe = not why
            self.note(MadeSafe(verified=not why, why=why, by="run", slot=slot or "", slots=tuple(concerned)))
        return why, concerned

    @property
    def was_powered(self) -> bool:
        """Return whether this run has ever switched a supply on."""
        return self._bench is not None and any(unit.supply.was_on for unit in self._bench.units.values())

    def finish(self, exit_code: int, *, interrupted: bool) -> None:
        """Write the last journal line and release everything."""
        for words in () if self._bench is None else self._bench.asked_again():
            self.event("asked again", words)
        for what, words in self.hold.why_ended():
            with suppress(HilseqError):
                self.event(what, words)
        self.note(RunEnded(exit_code=exit_code, interrupted=interrupted))
        if self._journal is not None:
            self._sign(self._journal, final=True)
            self._journal.close()
            self._journal = None
        self.close()
        self._signing.finish()

    def close(self) -> None:
        """Release the bench, the stand and the twin."""
        if self._bench is not None:
            self._bench.close()
            self._bench = None
        self.hold.release(safe=self._safe or not self._hands_over)
        if self._twin is not None:
            self._twin.close()
            self._twin = None
