"""A visit's side of the owner: find it or start it, claim slots, beat, leave."""

from __future__ import annotations

import math
import os
import pickle
import select
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from hilseq.clock import Clock
from hilseq.description.stand import Stand
from hilseq.errors import HilseqError, Interlock, StandFault, StandInUse
from hilseq.guard.protocol import BEAT, START_DEADLINE, Beats, stuck_after
from hilseq.instruments.opening import Opening
from hilseq.lease.addresses import StandInstrument, instruments_of, shares_lines_with_units
from hilseq.lease.holder import Holder
from hilseq.lease.lease import refusal, uses_of
from hilseq.lease.process import Process
from hilseq.lease.signs_of_life import SignsOfLife
from hilseq.owner.relay import ThroughOwner
from hilseq.owner.wire import (
    AskState,
    Claim,
    ClaimGranted,
    ClaimRefused,
    Dialled,
    DoneWith,
    EndNow,
    GoingOff,
    GuardWatches,
    HaveAlone,
    InterlockSeen,
    Leaving,
    MessageSocket,
    OthersFirst,
    OwnerState,
    Touching,
    WantAlone,
    dial,
    door_folder,
    is_possible,
)

#: Longest wait until a stand whose last user is just leaving is free, s.
_CHANGING = 15.0
#: Longest wait until who has just taken a stand has said who it is, s.
_NAMELESS = 3.0
_PAUSE = 0.05
#: Longest wait for what others use, s.
_OTHERS_USE = 1800.0
#: Owners that this process has started: they continue without it, and nobody waits for them.
_started: list[subprocess.Popen[bytes]] = []
#: Longest wait for a connection to an owner, and for its answer to a claim, s.
_ANSWERS = 5.0


def is_shared(stand: Stand, slots: Collection[str]) -> bool:
    """Return whether visits of these slots leave room for others: they work through the owner of the stand then.

    A visit that takes every slot has the stand for itself, and so has each on a stand where a unit is spoken to over
    the line of an instrument or of another unit.
    """
    return is_possible() and set(slots) < set(stand.slots) and not shares_lines_with_units(stand)


class _Turn:
    """The wait for something that only one visit at a time may use."""

    def __init__(self) -> None:
        self.reported = threading.Event()
        self.has_come = False
        #: When the last one was done with it, s of the clock that all share.
        self.free_since = -math.inf


class Membership:
    """Some slots of a stand, held by its owner for this process from `join` until `leave`.

    `stop_requested` is asked all the while: once it says True, the run is interrupted, as by Ctrl-C.
    """

    def __init__(
        self,
        stand: Stand,
        wire: MessageSocket,
        granted: ClaimGranted,
        door: str,
        *,
        clock: Clock,
        stop_requested: Callable[[], bool],
    ) -> None:
        self._stand = stand
        self._clock = clock
        self._wire = wire
        self._granted = granted
        self._door = door
        self._stop_requested = stop_requested
        self._owner_lives = SignsOfLife(granted.owner.pid)
        self._guarded = threading.Event()
        self._turns: dict[str, _Turn] = {}
        self._interrupted = False
        self._interlock: InterlockSeen | None = None
        #: Why the owner has the run end, or an empty text.
        self.why_ended = ""
        #: Why nothing can be asked any more, or an empty text.
        self.lost = ""
        self._beats = Beats(
            self._send_beat,
            self._hears,
            stuck_after=stuck_after(stand),
            lost=self._lose,
            look=self._look,
            pause=self._pause,
        )
        self.heartbeat = self._beats.heartbeat

    @property
    def others(self) -> tuple[str, ...]:
        """The slots that others had when this one joined."""
        return self._granted.others

    @property
    def note(self) -> str:
        """What the visit should know of how the stand is held, or an empty text."""
        return self._granted.note

    def opening(self) -> Opening:
        """Return how the instruments of the stand are opened."""
        return ThroughOwner(self._dial, self.waiting)

    def _dial(self, part: str) -> MessageSocket:
        wire = dial(self._door, _ANSWERS)
        wire.send(Dialled(self._granted.token, part))
        return wire

    def waiting(self) -> None:
        """Say that the main thread waits, and is not stuck. Raises StandFault where that is in vain."""
        self.heartbeat()
        if self.lost:
            raise StandFault(self.lost, place="stand")

    def wait_until_watching(self) -> None:
        """Wait until everything that switches off in need is watching. Raises StandFault."""
        self._tell(Touching())
        until = time.monotonic() + START_DEADLINE
        while not self._guarded.wait(_PAUSE):
            self.waiting()
            if time.monotonic() > until:
                raise StandFault("the guard process did not start; nothing is powered without it")

    def tell_interlock(self, seen: Interlock) -> None:
        """Have the owner switch off every slot: an interlock is not safe."""
        self._tell(InterlockSeen(str(seen), seen.places[0]))

    def interlock_from_others(self) -> Interlock | None:
        """Return an interlock that others have seen, once: the owner has switched off every slot."""
        seen, self._interlock = self._interlock, None
        if seen is None:
            return None
        return Interlock(f"{seen.words}; everything on the stand was switched off for it", place=seen.place)

    @contextmanager
    def turn_to_power(self) -> Iterator[None]:
        """Switch a unit on when the `power-on-gap` since the last one of the stand is over. Raises StandFault."""
        gap = self._stand.power_on_gap
        if not gap:
            yield
            return
        with self.alone("power-on") as free_since:
            self._clock.sleep(max(0.0, free_since + gap - self._shared_time()))
            yield

    def _shared_time(self) -> float:
        """Return the time that all visits of the stand have in common, s."""
        return self._clock.now() if self._stand.simulated_clock else time.monotonic()

    @contextmanager
    def alone(self, what: str) -> Iterator[float]:
        """Use what only one visit at a time may; let time pass while others use it. Lends since when it is free.

        Raises StandFault where they use it longer than anybody waits.
        """
        until = time.monotonic() + _OTHERS_USE
        turn = self._turns[what] = _Turn()
        self._tell(WantAlone(what))
        try:
            while not turn.reported.wait(_PAUSE):
                self.waiting()
            while not turn.has_come:
                self._clock.sleep(_PAUSE)
                self.waiting()
                if time.monotonic() > until:
                    raise StandFault(
                        f"{what}: other visits have used it for {_OTHERS_USE:g} s; `hilseq stand` tells who is there",
                        place=what,
                    )
            yield turn.free_since
        finally:
            self._tell(DoneWith(what, self._shared_time()))

    def leave(self, *, safe: bool) -> None:
        """Release the slots; the owner makes them safe where this run could not verify it."""
        self._beats.end()
        self._tell(Leaving(safe))
        self._wire.close()

    def _tell(self, message: object) -> None:
        with suppress(OSError):
            self._wire.send(message, time.monotonic() + _ANSWERS)

    # -- in the thread of the beats

    def _send_beat(self) -> None:
        self._wire.send(BEAT)

    def _pause(self, seconds: float) -> None:
        with suppress(OSError, ValueError):  # one that was closed meanwhile is met at the next beat
            select.select([self._wire], [], [], seconds)

    def _hears(self) -> bool:
        for message in self._wire.arrived():
            self._owner_lives.heard()
            match message:
                case GuardWatches():
                    self._guarded.set()
                case HaveAlone(what, free_since):
                    turn = self._turns[what]
                    turn.has_come, turn.free_since = True, free_since
                    turn.reported.set()
                case OthersFirst(what):
                    self._turns[what].reported.set()
                case InterlockSeen():
                    self._interlock = message
                case EndNow(why):
                    self.why_ended = why
                    self._interrupt()
        return not self._owner_lives.has_ceased

    def _look(self) -> None:
        if self._stop_requested():
            self._interrupt()

    def _interrupt(self) -> None:
        if not self._interrupted:
            self._interrupted = True
            with suppress(OSError):  # an owner that has gone is met at the next beat
                self._wire.send(GoingOff())
            os.kill(os.getpid(), signal.SIGTERM)

    def _lose(self) -> None:
        self.lost = "the process that owns the stand's instruments has died, or hangs; its guard switches the stand off"


def join(
    stand: Stand, slots: Sequence[str], holder: Holder, clock: Clock, stop_requested: Callable[[], bool]
) -> Membership:
    """Claim slots of a stand from its owner, who is started where there is none.

    Raises StandInUse with who has one of them, or the stand as a whole; StandFault.
    """
    instruments = instruments_of(stand)
    claim = Claim(stand, tuple(slots), holder)
    begun = time.monotonic()
    while True:
        waited = time.monotonic() - begun
        used = next((use for use in uses_of(instruments) if use.is_held), None)
        if used is None:
            trouble = _start(stand)
            if trouble is not None and not any(use.is_held for use in uses_of(instruments)):
                raise trouble
            continue
        door = used.holder.door if used.holder is not None else ""
        try:
            answer = _claimed(door, claim) if door else None
        except PermissionError:
            raise StandInUse(refusal(used.instrument, used.holder)) from None
        if answer is not None:
            wire, granted = answer
            return Membership(stand, wire, granted, door, clock=clock, stop_requested=stop_requested)
        patience = _CHANGING if door else 0.0 if used.holder is not None else _NAMELESS
        if waited > patience:
            raise StandInUse(refusal(used.instrument, used.holder))
        time.sleep(_PAUSE)


def require_free_slots(stand: Stand, slots: Collection[str]) -> None:
    """Raise StandInUse with who uses any of these slots, StandFault where a lock file is not one.

    For what begins several visits, so that none begins where one cannot; each still claims its slot for itself.
    """
    members = {
        member.process.pid: member
        for use in uses_of(instruments_of(stand))
        for member in (use.holder.members if use.holder is not None else ())
    }
    taken = [
        f"slot {slot} is in use by {member.words}"
        for member in members.values()
        for slot in sorted(set(slots) & set(member.units))
    ]
    if taken:
        raise StandInUse(f"{'; '.join(sorted(taken))}. Nothing was begun in other slots")


def _claimed(door: str, claim: Claim) -> tuple[MessageSocket, ClaimGranted] | None:
    """Return the connection to an owner that has granted a claim; None where it is about to go.

    Raises StandInUse, PermissionError where it is another user's.
    """
    try:
        wire = dial(door, _ANSWERS)
    except PermissionError:
        raise
    except OSError:
        return None
    try:
        wire.send(claim, time.monotonic() + _ANSWERS)
        answer = wire.receive(time.monotonic() + _ANSWERS)
    except OSError:
        wire.close()
        return None
    if isinstance(answer, ClaimGranted):
        return wire, answer
    wire.close()
    why = (
        answer.why if isinstance(answer, ClaimRefused) else "its owner answered something else than was asked"
    )
    raise StandInUse(why)


def _start(stand: Stand) -> HilseqError | None:
    """Start an owner; return None when it can be joined, else why not: somebody else may have been faster."""
    try:
        log = (door_folder() / "owner.log").open("ab")
    except OSError as error:
        return StandFault(f"this user has no folder for sockets: {error}", place="this computer")
    said = b""
    with log:
        for scope in dict.fromkeys((_scope_of_its_own(), ())):  # without one where none can be had
            said = said or _started_in(scope, stand, log)
    if not said:
        words = f"the owner of the stand did not start; what it said is in {log.name}"
        return StandFault(words, place="this computer")
    trouble: HilseqError | None = pickle.loads(said)  # noqa: S301 - the pipe of a process that we have started
    return trouble


def _scope_of_its_own() -> tuple[str, ...]:
    """Return what starts a command where one kill of our own session does not take it along; nothing without systemd.

    A scope of the user's service manager, systemd-run(1), where one runs: it has its sockets in this folder.
    """
    program, runtime = shutil.which("systemd-run"), os.environ.get("XDG_RUNTIME_DIR")
    if program is None or not runtime or not (Path(runtime) / "systemd").is_dir():
        return ()
    return (program, "--user", "--scope", "--quiet", "--collect", "--")


def _started_in(scope: Sequence[str], stand: Stand, log: IO[bytes]) -> bytes:
    """Start an owner; return what it says when it has begun, nothing where it did not begin."""
    process = subprocess.Popen(
        [*scope, sys.executable, "-P", "-m", "hilseq.owner.serve"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=log,
        start_new_session=True,
    )
    _started.append(process)
    assert process.stdin is not None
    assert process.stdout is not None
    said = b""
    with suppress(BrokenPipeError), process.stdin, process.stdout:
        with suppress(BrokenPipeError):
            process.stdin.write(pickle.dumps((stand, Process.of(os.getpid()))))
            process.stdin.close()
        said = process.stdout.read()
    return said


def state_of_owner(instruments: Sequence[StandInstrument]) -> OwnerState | None:
    """Ask the owner of some instruments how it does; None where there is none, or it is another user's."""
    if not is_possible():
        return None
    for use in uses_of(instruments):
        if use.holder is not None and use.holder.door:
            with suppress(OSError):
                wire = dial(use.holder.door, 1.0)
                try:
                    wire.send(AskState())
                    state: OwnerState = wire.receive(time.monotonic() + 1.0)
                    return state
                finally:
                    wire.close()
    return None
