"""SCPI over a stream: messages between terminators, a bounded input buffer, a watchdog over the silence."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from random import Random

from hilseq.clock import nothing
from hilseq.description.scpi import ScpiSupply as Supply
from hilseq_sim.servers.scpi_commands import InstrumentOutput
from hilseq_sim.servers.scpi_headers import read_dialect
from hilseq_sim.servers.scpi_instrument import Instrument
from hilseq_sim.servers.session import Session
from hilseq_sim.views import SupplyView

#: A program message longer than this is thrown away with error -363.
INPUT_BUFFER = 65536
INPUT_OVERRUN = -363
INTERRUPTED = -410
UNTERMINATED = -420
#: What an instrument says to each new client when its stand file says that it greets.
GREETING = b"WELCOME"
#: The largest over-voltage level, as a multiple of the largest voltage.
PROTECTION_MARGIN = 1.1


def instrument(outputs: Mapping[int, tuple[Supply, SupplyView]]) -> Instrument:
    """Build the instrument behind one resource from the stand file's supplies, by output number."""
    built = {
        number: InstrumentOutput(
            view,
            # whatever protection the stand file asks for, its instrument must be able to set
            max(PROTECTION_MARGIN * view.voltage_limits[1], PROTECTION_MARGIN * (supply.overvoltage or 0.0)),
        )
        for number, (supply, view) in outputs.items()
    }
    commands = {number: supply.commands for number, (supply, _) in outputs.items()}
    return Instrument(built, read_dialect(commands, Instrument(built)))


class ScpiSession(Session):
    """One connection to an instrument. `heard` is called with every message."""

    drops_unread = True

    def __init__(
        self,
        shared: Instrument,
        endpoint: str,
        *,
        heard: Callable[[], None] = nothing,
        read_termination: str = "\n",
        write_termination: str = "\n",
        greets: int = 0,
        echoes: bool = False,
    ) -> None:
        self.endpoint = endpoint
        self._instrument = shared
        self._heard = heard
        self._answer_end = read_termination.encode("latin-1")
        self._end = write_termination[-1:].encode("latin-1")
        self._greets = greets
        self._echoes = echoes
        self._buffer = b""
        self._overrun = False

    def greeting(self) -> bytes:
        """Return the lines of an instrument that greets."""
        return self._greets * (GREETING + self._answer_end)

    def requests(self, data: bytes) -> Sequence[bytes]:
        """Return the messages completed by `data`, without their terminators."""
        if not self._buffer and not self._overrun and data.find(self._end) == len(data) - 1 < INPUT_BUFFER:
            return (data[:-1],)  # nearly always: one whole message
        *lines, rest = (self._buffer + data).split(self._end) if self._buffer else data.split(self._end)
        if lines and self._overrun:
            self._overrun = False  # the end of the message that was too long
            del lines[0]
        if len(rest) > INPUT_BUFFER or self._overrun:
            if not self._overrun:
                self._instrument.report(INPUT_OVERRUN)
            self._overrun = True
            rest = b""
        self._buffer = rest
        if any(len(line) > INPUT_BUFFER for line in lines):
            self._instrument.report(INPUT_OVERRUN)
            lines = [line for line in lines if len(line) <= INPUT_BUFFER]
        return lines

    def answer(self, request: bytes) -> bytes:
        """Carry out a message."""
        response = self._instrument.answer(request.decode("latin-1"))
        self._heard()
        answer = b"" if response is None else response.encode("latin-1") + self._answer_end
        return request.rstrip() + self._answer_end + answer if self._echoes else answer

    def garbled(self, answer: bytes, random: Random) -> bytes:
        """Return as many random bytes, but a terminator at the end, so that there is something to read."""
        return (
            bytes(random.randrange(0x21, 0x100) for _ in answer[: -len(self._answer_end)]) + self._answer_end
        )

    def interrupted(self) -> None:
        """Report -410 (IEEE 488.2, 6.3.2.3)."""
        self._instrument.report(INTERRUPTED)

    def finish(self) -> None:
        """Report -420 for a client that leaves in the middle of a message: it never asked its question."""
        if self._buffer.strip():
            self._instrument.report(UNTERMINATED)


class Watchdog:
    """Switches the outputs of an instrument off when it hears nothing for too long.

    Real time, whatever the clock of the world: it watches the line and not the load. `after(seconds, callback)`
    calls back later, `catch_up` lets the world live until now.
    """

    def __init__(
        self,
        outputs: Iterable[InstrumentOutput],
        after: Callable[[float, Callable[[], None]], None],
        catch_up: Callable[[], None],
    ) -> None:
        self._outputs = tuple(outputs)
        self._after = after
        self._catch_up = catch_up
        self._heard_at = time.monotonic()
        self._next_look = math.inf

    def heard(self) -> None:
        """Take note that the instrument was spoken to."""
        self._heard_at = time.monotonic()
        self._wait()

    def _wait(self) -> None:
        due = self._heard_at + min((o.watchdog for o in self._outputs if o.watchdog), default=math.inf)
        if due < self._next_look:
            self._next_look = due
            self._after(max(0.0, due - time.monotonic()), self._look)

    def _look(self) -> None:
        self._next_look = math.inf
        silence = time.monotonic() - self._heard_at
        for output in self._outputs:
            if output.watchdog and silence >= output.watchdog:
                self._catch_up()
                output.view.output = False
                output.watchdog = 0.0
        self._wait()
