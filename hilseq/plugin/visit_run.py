"""One visit, from the first journal line to the safe state and the reports.

That line holds everything the run was given, word for word.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, TypeAlias

import pytest

import hilseq
from hilseq.clock import Clock, WallClock, compose
from hilseq.description.golden import golden_visit
from hilseq.description.profile import Profile
from hilseq.description.visit import Visit
from hilseq.errors import HilseqError, StandFault, UsageError, fenced, in_words
from hilseq.extensions import Extensions
from hilseq.guard.client import Guard
from hilseq.hooks import Element
from hilseq.interrupts import held_back
from hilseq.journal.entries import (
    AMBIENT,
    CONDITIONS,
    FOLDER_RENAMED,
    RELEASED,
    STOPPED,
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
    SoakStatus,
)
from hilseq.journal.reader import left_by_a_run
from hilseq.journal.run_state import RunState
from hilseq.journal.seals import look_for_damage
from hilseq.journal.signatures import Signer
from hilseq.journal.writer import FILE_NAME as JOURNAL
from hilseq.journal.writer import JournalWriter, boot_id
from hilseq.lease.addresses import StandInstrument, instruments_of
from hilseq.lease.holder import Holder
from hilseq.lease.latch import Latch, LatchLine
from hilseq.lease.lease import Lease
from hilseq.owner.membership import Membership, is_shared, join
from hilseq.plugin.head_sender import HeadSender
from hilseq.plugin.options import VisitOptions
from hilseq.plugin.other_runs import (
    Resumed,
    failed_before,
    populations_known,
    repairs_known,
    resumed_run,
)
from hilseq.plugin.parametrize import elements_of
from hilseq.plugin.run_header import default_folder, run_header
from hilseq.procedures.bench import Bench
from hilseq.procedures.operator import Nobody, Operator, Rehearsal
from hilseq.procedures.soak.record import ResumedSoak
from hilseq.procedures.wiring import parts_of, served_by
from hilseq.reports.summary_code import summary_text
from hilseq.signing import stand_key
from hilseq.stepped import SteppedClock
from hilseq.twin import Twin, read_endpoints, repoint

if TYPE_CHECKING:
    from hilseq.records.stand_lock import StandLock


#: Between two signatures of a journal that grows, s of the run's clock.
SIGNED_EVERY = 60.0
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
        self._guard: Guard | None = None
        self._lease: Lease | None = None
        self._membership: Membership | None = None
        self._latch: Latch | None = None
        self._shared_lock: StandLock | None = None
        #: The latch that stood when the stand was taken; only what powers nothing begins with one.
        self.kept_off: LatchLine | None = None
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
        #: Whether a signal has this run end, or a person who has made the stand safe.
        self._is_to_end = False
        #: Why nothing more can be written.
        self.disk_fault: StandFault | None = None
        #: Called with every journal entry, after it is on the disk.
        self.observers: list[Observer] = []
        self._notes = False
        #: Who signs its journal; nobody before the first minute is over.
        self._signer: Signer | None = None
        #: Whether the stand has no key that works.
        self._unsigned = False
        self._signed_at = 0.0
        self._head_sender: HeadSender | None = None
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
                # A new twin begins at zero: it lives, unpowered, to where the run broke off.
                self.clock.sleep_until(self.resumed.last)
        elif self.resumed is not None:
            self.clock = WallClock.since(self.resumed.started, at_least=self.resumed.last)
        if self._twin is None:
            # A twin of our own ends with this process; everything else needs the guard.
            self._hold_stand()
            if self._lease is not None and not self._leaves_running:
                self._start_guard()

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

    def _start_guard(self) -> None:
        assert self._lease is not None
        assert self._latch is not None
        folder = self.folder if self._hands_over else None
        self._guard = Guard(
            self._stand,
            folder,
            self._latch,
            handles=self._lease.handles,
            stop_requested=self._must_end,
            switch_off=self._command_off,
        )
        self._lease.note(self._lease.holder.guarded_by(self._guard.pid))
        self.clock.tick = compose(self.clock.tick, self._guard.heartbeat)

    def _command_off(self) -> None:
        """Send what switches the supplies off; that it has is verified by whoever makes safe."""
        if self._bench is not None and not self._bench.is_left_alone:
            for supply in self._bench.instruments.supplies.values():
                supply.command_power_off()

    def _hold_stand(self) -> None:
        """Hold every instrument that serves the visit. Raises StandInUse, StandFault."""
        slots = tuple(self.visit.profiles) or tuple(self._stand.slots)
        instruments = instruments_of(self._stand, parts_of(self._stand, slots))
        command = "resume" if self.options.resume else "run" if self._hands_over else "ready"
        folder = str(self.folder.absolute()) if self._hands_over else ""
        shared = is_shared(self._stand, slots)
        units = (
            dict(self.options.serials)
            if self._hands_over
            else dict.fromkeys(slots if shared else (), "a unit")
        )
        holder = Holder.this(command, self._stand.stand, folder=folder, units=units)
        self._latch = Latch(instruments)
        if shared:
            self._look_at_latch()
            self._membership = join(self._stand, slots, holder, self.clock, self._must_end)
            self.clock.tick = compose(self.clock.tick, self._membership.waiting, self._heed_interlock)
            self._tell_not_held(self._membership.note)
            return
        lease = Lease(instruments, holder)
        lease.take()
        self._lease = lease
        try:
            self._look_at_latch()
            self._hold_across_computers(instruments, lease.holder)
        except HilseqError:
            self._lease.close()
            raise

    def _look_at_latch(self) -> None:
        """Take note of a latch that stands. Raises StandInUse where that keeps this visit from what it does."""
        assert self._latch is not None
        self.kept_off = self._latch.standing()
        if not self._leaves_running:
            self._latch.require_released()
        if (released := self._latch.last_release()) is not None:
            self.event(RELEASED, released.words)

    def _hold_across_computers(self, instruments: Sequence[StandInstrument], holder: Holder) -> None:
        """Hold it in the records' database too, where several computers share one. Raises StandInUse."""
        if not os.environ.get("HILSEQ_RECORDS"):
            return
        with suppress(ImportError):  # reported at the end, when the run cannot be brought in
            from hilseq.records.stand_lock import hold_together

            shared = [(one.part, one.address) for one in instruments if not one.is_local]
            by = f"{holder.command} of {holder.user}@{socket.gethostname()}"
            self._shared_lock, why_not = hold_together(shared, by)
            self._tell_not_held(why_not)

    def _heed_interlock(self) -> None:
        """Raise an interlock that others have seen; not out of a hook that only takes a note."""
        if self._bench is not None and not self._notes:
            self._bench.heed_interlock()

    def _tell_not_held(self, why: str) -> None:
        if why:
            self.event("not held across computers", why)

    def _latched_since(self) -> LatchLine | None:
        """Return the latch that stands and did not when this began. Raises StandFault."""
        standing = None if self._latch is None else self._latch.standing()
        return None if standing == self.kept_off else standing

    def _must_end(self) -> bool:
        """Tell whether this run is to end: what is on is switched off then before it has unwound."""
        with suppress(HilseqError):  # it is looked at again before power, and reported then
            if not self._is_to_end and self._latched_since() is not None:
                self.heard_to_end()  # also where the main thread is in a long call just now
        return self._is_to_end

    def _require_not_to_end(self) -> None:
        """Power nothing for a run that is to end, or whose stand a person has made safe. Raises StandFault."""
        if self._is_to_end or self._latched_since() is not None:
            raise KeyboardInterrupt(STOPPED)

    def heard_to_end(self) -> None:
        """Take note that this run is to end, and tell others that it has heard."""
        self._is_to_end = True
        if self._lease is not None:
            self._lease.heard()

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
        self._journal = JournalWriter(self.folder)
        self._journal.clock = self.clock
        self.note(
            run_header(self.folder, self.options, self.visit, sequences, simulated=self._stand.simulated)
        )
        # What the run was given is signed at once: only that is run again, should it be resumed.
        self._sign(self._journal, final=False)
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
        with suppress(
            StandFault
        ):  # an owner that has gone is reported by what waits for it, and never by a hook
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
        if entry.t - self._signed_at >= SIGNED_EVERY:
            self._sign(self._journal, final=False)
        self.show(entry)

    def _sign(self, journal: JournalWriter, *, final: bool) -> None:
        """Have the stand sign the journal as it is now. A stand without a key leaves a run that nobody has signed."""
        assert self.state is not None
        self._signed_at = self.state.last
        if self._unsigned and not final:
            return
        self._unsigned = True  # reported once, and once more at the end, unless what follows comes to its end
        with fenced("the run is not signed"):
            self._signer = self._signer or Signer(
                self.folder, self.state.stand, self.state.run, stand_key(self.state.stand)
            )
            self._signer.folder = self.folder
            journal.sync()  # a signature of what a power cut can take would contradict the journal
            head = self._signer.head(journal.lines, journal.chain, final=final)
            self._head_sender = self._head_sender or HeadSender(journal.first)
            self._head_sender.send(head, self.folder.parent)
            if final:
                self.state.chain = journal.chain
                for unit in look_for_damage(self.state, self.folder).units:
                    self._signer.summary(unit.slot, summary_text(self.state, unit))
            self._unsigned = False

    @contextmanager
    def on_disk(self) -> Iterator[None]:
        """Guard what writes to the run's folder. Raises StandFault, with the stand safe, when it fails."""
        try:
            yield
        except OSError as error:
            self.disk_failed(error)

    def disk_failed(self, error: OSError) -> NoReturn:
        """Make the stand safe, then say that nothing more can be kept. What was written stays whole."""
        if self.disk_fault is None:
            self.disk_fault = self._cannot_be_written(error, f"hilseq resume {self.folder}")
            self.make_safe()
        raise self.disk_fault

    def reports_failed(self, error: OSError) -> None:
        """Say that the run has come to its end, and its reports cannot be kept."""
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
        """Tell whether somebody deleted or moved the journal under the run."""
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
                may_power=self._require_not_to_end,
                **self._through_owner(),
            )
            self._bench = bench
            if bench.is_watched:
                self.clock.tick = compose(self.clock.tick, bench.kick_watchdog)
            try:
                for instrument in bench.prepare(
                    leave_running=self._leaves_running, before_touching=self._guarded
                ):
                    self.note(instrument)
                self._note_ambient(bench)
            except StandFault as fault:
                self._bench_fault = fault
                raise
        return self._bench

    def _through_owner(self) -> dict[str, Any]:
        """Return what a bench is given where the instruments are held for several visits."""
        if self._membership is None:
            return {}
        return {
            "opening": self._membership.opening(),
            "others": self._membership.others,
            "interlock_seen": self._membership.tell_interlock,
            "interlock_told": self._membership.interlock_told,
            "alone": self._membership.alone,
            "turn_to_power": self._membership.turn_to_power,
        }

    def _note_ambient(self, bench: Bench) -> None:
        """Keep the temperature around the instruments, where the stand measures it; what is wrong is found later."""
        name = self._stand.ambient
        if name is not None:
            with suppress(HilseqError):
                measured = bench.signals.measure(name)
                self.event(AMBIENT, f"{measured.value:.1f} \u00b0C around the instruments")

    def _guarded(self) -> None:
        """Wait for the guard, without which nothing is touched. Raises StandFault."""
        if self._membership is not None:
            self._membership.wait_until_watching()
        if self._lease is not None and self._guard is None:
            self._start_guard()
        if self._guard is not None:
            self._guard.wait_until_watching()

    @property
    def journal_is_open(self) -> bool:
        """Tell whether the run has begun and not yet ended."""
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
        """Tell whether this run has ever switched a supply on."""
        return self._bench is not None and any(unit.supply.was_on for unit in self._bench.units.values())

    def finish(self, exit_code: int, *, interrupted: bool) -> None:
        """Write the last journal line and let go of everything."""
        if self._guard is not None and self._guard.lost:
            self.event(
                "guard lost", "the guard process has died, or hangs; the run ended itself and made safe"
            )
        for words in () if self._bench is None else self._bench.asked_again():
            self.event("asked again", words)
        if self._membership is not None and (why := self._membership.lost or self._membership.why_ended):
            self.event("owner of the stand", why)
        with suppress(HilseqError):
            if (latched := self._latched_since()) is not None:
                self.event(STOPPED, f"latched {latched.words}")
        self.note(RunEnded(exit_code=exit_code, interrupted=interrupted))
        if self._journal is not None:
            self._sign(self._journal, final=True)
            self._journal.close()
            self._journal = None
        self.close()
        if self._head_sender is not None:
            self._head_sender.finish()

    def close(self) -> None:
        """Let go of the bench, the guard and the twin."""
        if self._bench is not None:
            self._bench.close()
            self._bench = None
        if self._guard is not None:
            self._guard.release(safe=self._safe or not self._hands_over)
            self._guard = None
        if self._membership is not None:
            self._membership.leave(safe=self._safe or not self._hands_over)
            self._membership = None
        if self._shared_lock is not None:
            self._shared_lock.close()
        if self._lease is not None:
            self._lease.close()
            self._lease = None
        if self._twin is not None:
            self._twin.close()
            self._twin = None
