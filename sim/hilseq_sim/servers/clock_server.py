"""The clock of the simulated stand: text lines that advance the world.

`advance SECONDS` answers `now T` once the world has lived through them, `now` answers `now T`, `date` answers
`date YYYY-MM-DDTHH:MM:SS+00:00`, `turn SLOT POSITION` turns a mode switch by hand and answers `now T`. `pace` answers
`pace asked` where time moves by `advance` only, `pace alone` where it also moves by itself or with every answer of an
instrument. Anything else answers `error …`. The answer is what orders an advance before the readings on other
connections; commands sent before it, which have no answer, are carried out before it.

With several clients time moves when all of them wait, to the earliest instant that one of them waits for. Each has
the instants that it would have alone; who asks first changes nothing. One counts from its first line on. A client whose
connection ends holds time no longer, and neither does one that has said nothing for five minutes, until it asks again.
Whoever waits for others is sent `wait` every second.
"""

from __future__ import annotations

import math
import time
from collections.abc import Sequence

from hilseq_sim.servers.connections import ServedWorld
from hilseq_sim.servers.session import MalformedStreamError, Session

LONGEST_LINE = 4096
#: A century: anything longer is a slip.
LONGEST_ADVANCE = 3.2e9


#: Wall time between two signs to those who wait, and that after which a silent client is passed over, s.
SIGN_EVERY, STALLED = 1.0, 300.0


class ClockClients:
    """Who lets time pass on a stepped clock."""

    def __init__(self, stage: ServedWorld) -> None:
        self._stage = stage
        #: Client -> the instant that it waits for; None while it is busy.
        self._until: dict[ClockSession, float | None] = {}
        self._heard: dict[ClockSession, float] = {}
        self._looking = False

    def heard(self, client: ClockSession) -> None:
        """Take note that a client is there, and busy: time stands until it waits, or is gone."""
        self._until[client] = None
        self._heard[client] = time.monotonic()

    def wait(self, client: ClockSession, until: float) -> bool:
        """Let a client wait for an instant; return whether it has come at once. If not, `reached` is called."""
        if len(self._until) == 1:
            self._stage.advance_to(until)
            return True
        self._until[client] = until
        self._move()
        if not self._looking and None in self._until.values():
            self._looking = True
            self._stage.loop.after(SIGN_EVERY, self._look)
        return False

    def leave(self, client: ClockSession) -> None:
        """Let a client hold time no longer."""
        if client in self._until:
            del self._until[client], self._heard[client]
            self._move()

    def _move(self) -> None:
        waited = [until for until in self._until.values() if until is not None]
        if not waited or len(waited) < len(self._until):
            return
        self._stage.advance_to(min(waited))
        now = self._stage.world.time
        for client, until in tuple(self._until.items()):
            if until is not None and until <= now and client in self._until:
                self.heard(client)
                client.reached()

    def _look(self) -> None:
        self._looking = False
        stalled = time.monotonic() - STALLED
        for client in [c for c, until in self._until.items() if until is None and self._heard[c] < stalled]:
            self.leave(client)
        waiting = [client for client, until in self._until.items() if until is not None]
        for client in waiting:
            client.say(b"wait\n")
        if waiting:
            self._looking = True
            self._stage.loop.after(SIGN_EVERY, self._look)


class ClockSession(Session):
    """One connection to the clock."""

    moves_time = True

    def __init__(self, stage: ServedWorld, clients: ClockClients) -> None:
        self._stage = stage
        self._clients = clients
        self._buffer = b""
        self._carry = 0.0  # what rounding has left over of all steps (Kahan, as `world.timeline`)

    def gone(self) -> None:
        """Hold time no longer."""
        self._clients.leave(self)

    def reached(self) -> None:
        """Answer the `advance` that has come to its instant."""
        self.say(self._now())

    def _now(self) -> bytes:
        return b"now %r\n" % self._stage.world.time

    def requests(self, data: bytes) -> Sequence[bytes]:
        """Return the lines completed by `data`."""
        *lines, self._buffer = (self._buffer + data).split(b"\n")
        if len(self._buffer) > LONGEST_LINE:
            raise MalformedStreamError
        return lines

    def answer(self, request: bytes) -> bytes:
        """Carry out one line."""
        word, _, rest = request.strip().partition(b" ")
        self._clients.heard(self)
        if word == b"advance":
            fault, until = self._instant(rest)
            if not fault and not self._clients.wait(self, until):
                return b""
        elif word == b"date" and not rest:
            return f"date {self._stage.world.date.isoformat()}\n".encode()
        elif word == b"pace" and not rest:
            return b"pace alone\n" if self._stage.wall or self._stage.takes_time else b"pace asked\n"
        elif word == b"turn":
            fault = self._turn(rest.decode("utf-8", "replace").strip())
        else:
            fault = (
                ""
                if word == b"now" and not rest
                else "expected `advance SECONDS`, `now`, `date`, `pace` or `turn SLOT POSITION`"
            )
        if fault:
            return f"error {fault}\n".encode()
        return self._now()

    def _instant(self, word: bytes) -> tuple[str, float]:
        """Return what is wrong with the seconds of an advance, or the instant at which they are over."""
        try:
            seconds = float(word)
        except ValueError:
            seconds = math.nan
        if not 0 <= seconds <= LONGEST_ADVANCE:
            return f"expected seconds from 0 to {LONGEST_ADVANCE:g}", 0.0
        if self._stage.wall:
            return "this clock follows real time; start the simulator with --clock stepped to advance it", 0.0
        now = self._stage.world.time
        step = seconds - self._carry
        until = now + step
        self._carry = (until - now) - step
        return "", until

    def _turn(self, text: str) -> str:
        """Turn a switch; names may hold spaces, so that the known slots decide where the slot ends."""
        for slot in self._stage.world.links:
            if text.startswith(slot + " "):
                try:
                    self._stage.world.turn_switch(slot, text.removeprefix(slot).strip())
                except KeyError:
                    return "the switch has no such position"
                return ""
        return "expected `turn SLOT POSITION` with a slot of this stand"
