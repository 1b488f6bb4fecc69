"""The clock of the simulated stand: text lines that advance the world.

`advance SECONDS` answers `now T` once the world has lived through them, `now` answers `now T`, `date` answers
`date YYYY-MM-DDTHH:MM:SS+00:00`, `turn SLOT POSITION` turns a mode switch by hand and answers `now T`. `pace` answers
`pace asked` where time moves by `advance` only, `pace alone` where it also moves by itself or with every answer of an
instrument. Anything else answers `error …`. The answer is what orders an advance before the readings on other
connections; commands sent before it, which have no answer, are carried out before it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from hilseq_sim.servers.connections import ServedWorld
from hilseq_sim.servers.session import MalformedStreamError, Session

LONGEST_LINE = 4096
#: A century: anything longer is a slip.
LONGEST_ADVANCE = 3.2e9


class ClockSession(Session):
    """One connection to the clock."""

    moves_time = True

    def __init__(self, stage: ServedWorld) -> None:
        self._stage = stage
        self._buffer = b""

    def requests(self, data: bytes) -> Sequence[bytes]:
        """Return the lines completed by `data`."""
        *lines, self._buffer = (self._buffer + data).split(b"\n")
        if len(self._buffer) > LONGEST_LINE:
            raise MalformedStreamError
        return lines

    def answer(self, request: bytes) -> bytes:
        """Carry out one line."""
        word, _, rest = request.strip().partition(b" ")
        if word == b"advance":
            fault = self._advance(rest)
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
        return b"now %r\n" % self._stage.world.time

    def _advance(self, word: bytes) -> str:
        try:
            seconds = float(word)
        except ValueError:
            seconds = math.nan
        if not 0 <= seconds <= LONGEST_ADVANCE:
            return f"expected seconds from 0 to {LONGEST_ADVANCE:g}"
        if self._stage.wall:
            return "this clock follows real time; start the simulator with --clock stepped to advance it"
        self._stage.advance(seconds)
        return ""

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
