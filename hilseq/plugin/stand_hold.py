"""A visit's hold on its stand: nobody else uses it meanwhile, a guard watches, and a person may end it.

A visit that takes every slot holds the instruments by a lease and has a guard of its own; one that leaves slots to
others is a member of the stand's owner, which takes the guard's place. The latch of `hilseq safe` ends either.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hilseq.clock import Clock, compose
from hilseq.description.stand import Stand
from hilseq.errors import HilseqError
from hilseq.guard.client import Guard
from hilseq.journal.event_names import RELEASED, STOPPED
from hilseq.lease.addresses import StandInstrument, instruments_of
from hilseq.lease.holder import Holder
from hilseq.lease.latch import Latch, LatchLine
from hilseq.lease.lease import Lease
from hilseq.owner.membership import Membership, is_shared, join
from hilseq.procedures.wiring import parts_of

if TYPE_CHECKING:
    from hilseq.records.stand_lock import StandLock


class StandHold:
    """Holds a stand from `take` to `release`; before that, and with a twin of one's own, it holds nothing.

    `event` takes a note of what is reported. One that `powers_nothing` takes a stand that is kept off, too, and has its
    guard only once something is touched.
    """

    def __init__(self, event: Callable[[str, str], None], *, powers_nothing: bool) -> None:
        self._event = event
        self._powers_nothing = powers_nothing
        self._guard: Guard | None = None
        self._lease: Lease | None = None
        self._membership: Membership | None = None
        self._latch: Latch | None = None
        self._shared_lock: StandLock | None = None
        self._start_guard: Callable[[], None] | None = None
        #: The latch that stood when the stand was taken; only what powers nothing begins with one.
        self.kept_off: LatchLine | None = None
        #: Whether a signal has this run end, or a person who has made the stand safe.
        self._is_to_end = False

    def take(
        self,
        stand: Stand,
        slots: tuple[str, ...],
        command: str,
        serials: dict[str, str] | None,
        clock: Clock,
        *,
        folder: Path | None,
        heed_interlock: Callable[[], None],
        switch_off: Callable[[], None],
    ) -> None:
        """Hold every instrument that serves these slots. Raises StandInUse, StandFault.

        `serials` are those of the units, by slot; None where none is tested, and `folder` where the guard leaves no
        file. `heed_interlock` raises what others have seen, `switch_off` sends what switches the supplies off.
        """
        instruments = instruments_of(stand, parts_of(stand, slots))
        shared = is_shared(stand, slots)
        units = dict.fromkeys(slots if shared else (), "a unit") if serials is None else serials
        holder = Holder.this(
            command, stand.stand, folder="" if folder is None else str(folder.absolute()), units=units
        )
        self._latch = latch = Latch(instruments)
        if shared:
            self._look_at_latch(latch)
            self._membership = join(stand, slots, holder, clock, self._must_end)
            clock.tick = compose(clock.tick, self._membership.waiting, heed_interlock)
            self._tell_not_held(self._membership.note)
            return
        lease = Lease(instruments, holder)
        lease.take()
        self._lease = lease
        try:
            self._look_at_latch(latch)
            self._hold_across_computers(instruments, lease.holder)
        except HilseqError:
            lease.close()
            raise

        def start_guard() -> None:
            self._guard = Guard(
                stand,
                folder,
                latch,
                handles=lease.handles,
                stop_requested=self._must_end,
                switch_off=switch_off,
            )
            lease.note(lease.holder.guarded_by(self._guard.pid))
            clock.tick = compose(clock.tick, self._guard.heartbeat)

        self._start_guard = start_guard
        if not self._powers_nothing:
            start_guard()

    def _look_at_latch(self, latch: Latch) -> None:
        """Take note of a latch that stands. Raises StandInUse where that keeps this visit from what it does."""
        self.kept_off = latch.standing()
        if not self._powers_nothing:
            latch.require_released()
        if (released := latch.last_release()) is not None:
            self._event(RELEASED, released.words)

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

    def _tell_not_held(self, why: str) -> None:
        if why:
            self._event("not held across computers", why)

    def wait_until_guarded(self) -> None:
        """Wait for the guard, without which nothing is touched. Raises StandFault."""
        if self._membership is not None:
            self._membership.wait_until_watching()
        if self._guard is None and self._start_guard is not None:
            self._start_guard()
        if self._guard is not None:
            self._guard.wait_until_watching()

    def for_bench(self) -> dict[str, Any]:
        """Return what a bench is given where the instruments are held for several visits."""
        if self._membership is None:
            return {}
        return {
            "opening": self._membership.opening(),
            "others": self._membership.others,
            "interlock_seen": self._membership.tell_interlock,
            "interlock_from_others": self._membership.interlock_from_others,
            "alone": self._membership.alone,
            "turn_to_power": self._membership.turn_to_power,
        }

    # -- who ends the run --------------------------------------------------------------------------------

    def heard_to_end(self) -> None:
        """Take note that this run is to end, and tell others that it has heard."""
        self._is_to_end = True
        if self._lease is not None:
            self._lease.heard()

    def require_not_to_end(self) -> None:
        """Power nothing for a run that is to end, or whose stand a person has made safe. Raises KeyboardInterrupt."""
        if self._is_to_end or self._latched_since() is not None:
            raise KeyboardInterrupt(STOPPED)

    def _must_end(self) -> bool:
        """Return whether this run is to end: what is on is switched off then before it has unwound."""
        with suppress(HilseqError):  # it is looked at again before power, and reported then
            if not self._is_to_end and self._latched_since() is not None:
                self.heard_to_end()  # also where the main thread is in a long call just now
        return self._is_to_end

    def _latched_since(self) -> LatchLine | None:
        """Return the latch that stands and did not when this began. Raises StandFault."""
        standing = None if self._latch is None else self._latch.standing()
        return None if standing == self.kept_off else standing

    def why_ended(self) -> Iterator[tuple[str, str]]:
        """Yield what of the hold has ended the run, as event and words."""
        if self._guard is not None and self._guard.lost:
            yield "guard lost", "the guard process has died, or hangs; the run ended itself and made safe"
        if self._membership is not None and (why := self._membership.lost or self._membership.why_ended):
            yield "owner of the stand", why
        with suppress(HilseqError):
            if (latched := self._latched_since()) is not None:
                yield STOPPED, f"latched {latched.words}"

    def release(self, *, safe: bool) -> None:
        """Release the stand; `safe` tells that nobody need make it so."""
        if self._guard is not None:
            self._guard.release(safe=safe)
            self._guard = None
        if self._membership is not None:
            self._membership.leave(safe=safe)
            self._membership = None
        if self._shared_lock is not None:
            self._shared_lock.close()
            self._shared_lock = None
        if self._lease is not None:
            self._lease.close()
            self._lease = None
        self._start_guard = None
