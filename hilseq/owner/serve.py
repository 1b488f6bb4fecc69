"""The owner's own process: `python -P -m hilseq.owner.serve`.

Standard input holds the stand, standard output gets what went wrong with holding it, or None. The main thread hears
the clients and is heard by the guard, which switches the stand off when this process dies or hangs; each instrument has
a thread of its own (`line.py`), and so has each slot that is made safe for a client that died or hangs.
"""

from __future__ import annotations

import math
import os
import pickle
import secrets
import selectors
import signal
import socket
import sys
import threading
import time
from collections import deque
from collections.abc import Sequence
from contextlib import suppress
from functools import partial
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hilseq.clock import WallClock, nothing
from hilseq.description.stand import Stand
from hilseq.errors import HilseqError, Interlock, NotSafe, StandFault
from hilseq.guard.client import Guard
from hilseq.guard.protocol import BEAT, INTERVAL, START_DEADLINE
from hilseq.guard.rescue import rescue
from hilseq.instruments.opening import OwnConnections
from hilseq.lease.addresses import address_of_parts, instruments_of
from hilseq.lease.holder import Holder
from hilseq.lease.latch import Latch
from hilseq.lease.lease import Lease
from hilseq.lease.process import Process
from hilseq.lease.shared_folder import shared_folder
from hilseq.lease.signs_of_life import SignsOfLife
from hilseq.owner.line import Line
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
    LineLoad,
    MessageSocket,
    OthersFirst,
    OwnerState,
    Request,
    Touching,
    WantAlone,
    door_folder,
    listen_at,
)
from hilseq.procedures.bench import Bench

if TYPE_CHECKING:
    from hilseq.records.stand_lock import StandLock

#: Longest wait for those who were asked to end, s; what is left of them then is made safe by the owner.
_ENDING = 15.0
#: Between two looks at the interlocks, s: everything is off within two.
_INTERLOCKS = 0.5


class StandClient:
    """A visit that has some slots of the stand, from its claim until it has left them safe."""

    def __init__(self, wire: MessageSocket, claim: Claim) -> None:
        self.wire = wire
        self.slots = claim.slots
        self.holder = claim.holder
        self.token = secrets.token_hex(16)
        self.life = SignsOfLife(claim.holder.process.pid)
        #: Whether it has begun to touch instruments; before, there is nothing to make safe.
        self.touches = False
        self.waits_for_guard = False
        #: Why it may ask nothing more.
        self.ended = ""

    def check(self, request: Request) -> None:
        """Raise StandFault where it may ask nothing more."""
        if self.ended:
            raise StandFault(
                f"{request[1]} is refused by the owner of the stand: {self.ended}", place="stand"
            )


class StandOwner:
    """Everything of one stand that there is one of. `starter`: who has started it, and is to be its first client."""

    def __init__(self, stand: Stand, starter: Process) -> None:
        self._stand = stand
        self._starter = starter
        self._instruments = instruments_of(stand)
        self._door = _door_of(self._instruments[0].lock)
        self._lease = Lease(self._instruments, Holder.this("owner", stand.stand, door=str(self._door)))
        self._latch = Latch(self._instruments)
        self._selector = selectors.DefaultSelector()
        self._clients: list[StandClient] = []
        #: By what only one visit at a time may use, who has it and who waits for it; and when the last one was done.
        self._queues: dict[str, list[StandClient]] = {}
        self._free_since: dict[str, float] = {}
        #: Interlocks that were seen open, each with who has seen it: nobody where it was the owner.
        self._opened: deque[tuple[InterlockSeen, StandClient | None]] = deque()
        self._strangers: set[MessageSocket] = set()
        self._rescued: list[StandClient] = []
        self._shared_lock: StandLock | None = None
        #: Why it is not held across computers, although it was to be.
        self._not_held = ""
        #: Set by a signal.
        self.is_asked_to_end = False
        self._why_ended = ""
        self._ending_since = 0.0
        self._unverified = False
        self._last_beat = 0.0
        self._busy_until = time.monotonic() + START_DEADLINE
        self._lines: dict[str, Line] = {}

    def open(self) -> None:
        """Take the stand and let clients in. Raises StandInUse, StandFault, OSError."""
        self._lease.take()
        self._hold_across_computers()
        self._listening = listen_at(self._door)
        self._selector.register(self._listening, selectors.EVENT_READ, self._let_in)
        outputs = OwnConnections().outputs(self._stand.supplies)
        devices: dict[str, Any] = {f"supply {name}": output for name, output in outputs.items()}
        devices |= {f"io {name}": OwnConnections().channels(self._stand, name) for name in self._stand.io}
        by_address: dict[str, dict[str, Any]] = {}
        for part, address in address_of_parts(self._stand).items():
            by_address.setdefault(address, {})[part] = devices.pop(part)
        for part, device in devices.items():  # whose driver tells no address
            by_address[part] = {part: device}
        for address, parts in by_address.items():
            self._lines |= dict.fromkeys(parts, Line(address, parts))

    def _hold_across_computers(self) -> None:
        """Hold it in the records' database too, where several computers share one. Raises StandInUse."""
        if os.environ.get("HILSEQ_RECORDS"):
            with suppress(ImportError):  # each run tells it at its end
                from hilseq.records.stand_lock import hold_together

                shared = [(one.part, one.address) for one in self._instruments if not one.is_local]
                by = f"owner of {self._lease.holder.user}@{socket.gethostname()}"
                self._shared_lock, self._not_held = hold_together(shared, by)

    def serve(self) -> None:
        """Continue until the last client has left."""
        guard = Guard(
            self._stand,
            None,
            self._latch,
            handles=self._lease.handles,
            stop_requested=self._is_kept_off,
            switch_off=self._command_off,
        )
        self._lease.note(self._lease.holder.guarded_by(guard.pid))
        watching = threading.Event()
        threading.Thread(target=self._await_guard, args=(guard, watching), daemon=True).start()
        threading.Thread(target=self._watch_interlocks, daemon=True).start()
        while self._clients or self._awaits_the_first():
            for key, _ in self._selector.select(INTERVAL / 2):
                key.data()
            guard.heartbeat()
            if guard.lost:
                self._end("the guard process has died, or hangs")
            elif self.is_asked_to_end:
                self._end("the owner of the stand was asked to end")
            if self._why_ended:
                self._have_all_end()
            self._tell_interlocks()
            self._look_at_clients(watching.is_set())
            while self._rescued:
                self._forget(self._rescued.pop())
        self._listening.close()
        for line in set(self._lines.values()):
            line.close()
        guard.release(safe=not self._unverified)
        self._door.unlink(missing_ok=True)
        if self._shared_lock is not None:
            self._shared_lock.close()
        self._lease.close()

    def _awaits_the_first(self) -> bool:
        return self._starter.lives and time.monotonic() < self._busy_until and not self._why_ended

    def _await_guard(self, guard: Guard, watching: threading.Event) -> None:
        try:
            guard.wait_until_watching()
            watching.set()
        except StandFault as fault:
            self._end(str(fault))

    # -- who comes and goes

    def _let_in(self) -> None:
        with suppress(OSError):
            connected, _ = self._listening.accept()
            wire = MessageSocket(connected)
            wire.require_same_user()
            self._strangers.add(wire)
            self._selector.register(wire, selectors.EVENT_READ, partial(self._greet, wire))

    def _greet(self, stranger: MessageSocket) -> None:
        """Hear what somebody wants who has just connected."""
        try:
            if (said := stranger.first()) is None:
                return
        except OSError:
            said = None
        self._selector.unregister(stranger)
        self._strangers.discard(stranger)
        match said:
            case Dialled(token, part) if (client := self._client_of(token)) and part in self._lines:
                self._lines[part].adopt(stranger, part, client)
                return
            case Claim() as claim if why := self._refusal(claim):
                with suppress(OSError):
                    stranger.send(ClaimRefused(why))
            case Claim() as claim:
                self._grant(stranger, claim)
                return
            case AskState():
                with suppress(OSError):
                    stranger.send(OwnerState(self._lease.holder, self._loads()), time.monotonic() + 1.0)
        stranger.close()

    def _client_of(self, token: str) -> StandClient | None:
        return next((client for client in self._clients if client.token == token), None)

    def _refusal(self, claim: Claim) -> str:
        """Return why a visit cannot have its slots, an empty text where it can."""
        if self._why_ended:
            return f"the stand is about to be free: {self._why_ended}"
        if claim.stand != self._stand:
            runs = self._lease.holder.words
            return (
                f"the same instruments are in use by another stand file than this, or by an older state of it: {runs}. "
                "Use that one, or wait for its end"
            )
        supplies = {self._stand.slots[slot].supply: slot for slot in claim.slots}
        for client in self._clients:
            for slot in client.slots:
                if slot in claim.slots:
                    return f"slot {slot} is in use by {client.holder.words}"
                if self._stand.slots[slot].supply in supplies:
                    return (
                        f"supply {self._stand.slots[slot].supply} of slot {supplies[self._stand.slots[slot].supply]} "
                        f"also feeds slot {slot}, in use by {client.holder.words}"
                    )
        return ""

    def _grant(self, wire: MessageSocket, claim: Claim) -> None:
        others = tuple(slot for client in self._clients for slot in client.slots)
        client = StandClient(wire, claim)
        self._clients.append(client)
        self._selector.register(wire, selectors.EVENT_READ, partial(self._hear, client))
        self._note()
        with suppress(OSError):
            wire.send(ClaimGranted(client.token, self._lease.holder.process, others, self._not_held))

    def _note(self) -> None:
        self._lease.note(self._lease.holder.joined_by([client.holder for client in self._clients]))

    def _hear(self, client: StandClient) -> None:
        try:
            said = client.wire.arrived()
        except OSError:
            self._lose(client, "the run has died")
            return
        for message in said:
            client.life.heard()
            self._heed(client, message)

    def _heed(self, client: StandClient, message: object) -> None:
        match message:
            case Touching():
                client.touches = client.waits_for_guard = True
            case WantAlone(what):
                self._queues.setdefault(what, []).append(client)
                if self._queues[what][0] is client:
                    self._hand_over(what)
                else:
                    with suppress(OSError):
                        client.wire.send(OthersFirst(what))
            case DoneWith(what, at):
                self._take_back(what, client, at)
            case GoingOff() if client.touches:
                threading.Thread(target=self._command_off, args=(client.slots,), daemon=True).start()
            case InterlockSeen():
                self._opened.append((message, client))
                threading.Thread(target=self._command_off, daemon=True).start()
            case Leaving(safe) if safe or not client.touches:
                self._forget(client)
            case Leaving():
                self._lose(client, "the run could not verify the safe state", kill=False)

    def _hand_over(self, what: str) -> None:
        """Tell whose turn it is to use something."""
        with suppress(OSError, IndexError):
            free_since = self._free_since.get(what, -math.inf)
            self._queues[what][0].wire.send(HaveAlone(what, free_since))

    def _take_back(self, what: str, client: StandClient, at: float) -> None:
        queue = self._queues.get(what, [])
        if client in queue:
            had = queue[0] is client
            queue.remove(client)
            if had:
                self._free_since[what] = at
                self._hand_over(what)

    def _look_at_clients(self, guard_watches: bool) -> None:
        beats = time.monotonic() - self._last_beat > INTERVAL
        if beats:
            self._last_beat = time.monotonic()
        for client in list(self._clients):
            if client.ended:
                continue
            if client.life.has_ceased:
                self._lose(client, f"the run has sent no heartbeat for {client.life.silence:.1f} s")
                continue
            with suppress(OSError):  # one that has gone is heard
                if beats:
                    client.wire.send(BEAT)
                if client.waits_for_guard and guard_watches:
                    client.waits_for_guard = False
                    client.wire.send(GuardWatches())

    def _forget(self, client: StandClient) -> None:
        if client not in self._clients:
            return
        client.ended = client.ended or "it has left"
        with suppress(KeyError, ValueError):
            self._selector.unregister(client.wire)
        client.wire.close()
        self._clients.remove(client)
        for what in self._queues:
            # One that has died says no time: on a stepped clock its own counts as long ago.
            self._take_back(what, client, -math.inf if self._stand.simulated_clock else time.monotonic())
        self._busy_until = 0.0
        self._note()

    # -- safe

    def _lose(self, client: StandClient, reason: str, *, kill: bool = True) -> None:
        """Make the slots of a client safe that cannot do it itself any more; nobody else notices."""
        if client.ended:
            return
        client.ended = reason
        with suppress(KeyError, ValueError):
            self._selector.unregister(client.wire)
        if not client.touches:
            self._forget(client)
            return
        threading.Thread(target=self._rescue, args=(client, reason), kwargs={"kill": kill}).start()

    def _rescue(self, client: StandClient, reason: str, *, kill: bool) -> None:
        if kill:
            client.holder.process.kill()
        bench = self._bench()
        try:
            why = rescue(partial(_make_safe, bench, client.slots), client.holder.folder, reason, self._latch)
            self._unverified = self._unverified or bool(why)
        finally:
            bench.close()
            self._rescued.append(client)

    def _bench(self) -> Bench:
        return Bench(
            self._stand,
            {},
            {},
            WallClock(),
            lambda _what, _text, _slot: None,
            opening=ThroughOwner(lambda part: self._lines[part].connect(part), nothing),
        )

    def _command_off(self, slots: Sequence[str] = ()) -> None:
        """Send what switches off these slots, or every slot that is in use; whoever uses it verifies."""
        bench = self._bench()
        slots = slots or [slot for client in self._clients if client.touches for slot in client.slots]
        supplies = {self._stand.slots[slot].supply for slot in slots}
        for name in supplies:
            bench.instruments.supplies[name].command_power_off()
        bench.close()

    def _watch_interlocks(self) -> None:
        """Look at the interlocks as long as somebody works on the stand: visits look when they power and sample only.

        Where one is open everything goes off, again and again: somebody may be about to switch on.
        """
        if not self._stand.safety.interlocks or self._stand.simulated_clock is not None:
            return  # a stepped clock stands still meanwhile
        bench, reported = self._bench(), ""
        while True:
            time.sleep(_INTERLOCKS)
            if not any(client.touches for client in self._clients):
                continue
            try:
                bench.check_interlocks()
                reported = ""
            except Interlock as opened:
                self._command_off()
                if reported != str(opened):
                    reported = str(opened)
                    self._opened.append((InterlockSeen(reported, opened.places[0]), None))
            except HilseqError:
                continue  # an instrument that does not answer is reported by those who use it

    def _tell_interlocks(self) -> None:
        while self._opened:
            seen, by = self._opened.popleft()
            for client in self._clients:
                if client.touches and client is not by:
                    with suppress(OSError):
                        client.wire.send(seen)

    def _is_kept_off(self) -> bool:
        with suppress(HilseqError):
            return self._latch.standing() is not None
        return False

    def _end(self, why: str) -> None:
        """Have everybody end, and then end."""
        self._why_ended = self._why_ended or why

    def _have_all_end(self) -> None:
        """Tell those who work on the stand to end, once; make safe what is left of them in the end."""
        if not self._ending_since:
            self._ending_since = time.monotonic()
            self._lease.heard()
            threading.Thread(target=self._command_off, daemon=True).start()
            for client in self._clients:
                with suppress(OSError):
                    client.wire.send(EndNow(self._why_ended))
        elif time.monotonic() - self._ending_since > _ENDING:
            for client in self._clients:
                self._lose(client, f"the run did not end within {_ENDING:g} s: {self._why_ended}")

    def _loads(self) -> tuple[LineLoad, ...]:
        return tuple(
            LineLoad(
                tuple(line.devices), line.exchanges, line.spared, line.busy / (time.monotonic() - line.begun)
            )
            for line in dict.fromkeys(self._lines.values())
        )


def _make_safe(bench: Bench, slots: Sequence[str]) -> None:
    """Make some slots safe. Raises NotSafe."""
    found: dict[str, str] = {}
    for slot in slots:
        found |= bench.reach_safe_state(slot)
    problems = {part: why for part, why in found.items() if why}
    if problems:
        raise NotSafe("; ".join(problems.values()), places=tuple(problems))


def _door_of(lock: str) -> Path:
    """Return where the owner of the instrument with this lock file listens."""
    name = sha256(f"{shared_folder().resolve()}/{lock}".encode()).hexdigest()[:24]
    return door_folder() / f"{name}.sock"


def main() -> None:
    """Own a stand until its last client has left."""
    for name in (signal.SIGINT, signal.SIGHUP):
        # The terminal of whoever came first must not take the stand along.
        signal.signal(name, signal.SIG_IGN)
    stand, starter = pickle.loads(sys.stdin.buffer.read())  # noqa: S301 - our own parent's pipe
    said = os.dup(sys.stdout.fileno())
    nowhere = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1):
        os.dup2(nowhere, stream)
    owner = StandOwner(stand, starter)
    trouble: HilseqError | None = None
    try:
        owner.open()
    except HilseqError as error:
        trouble = error
    except OSError as error:
        trouble = StandFault(f"the owner of the stand cannot be reached: {error}", place="this computer")
    signal.signal(signal.SIGTERM, lambda _number, _frame: setattr(owner, "is_asked_to_end", True))
    with suppress(BrokenPipeError):  # a starter that has died is not waited for
        os.write(said, pickle.dumps(trouble))
    os.close(said)
    if trouble is None:
        owner.serve()


if __name__ == "__main__":
    main()
