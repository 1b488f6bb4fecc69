"""The stepped clock: time of a simulated stand, moved on by asking the simulator.

A sleep asks the simulator to advance its model by that much and returns as soon as it has: an hour
costs a round trip. The advance is a request with an answer, on a connection of its own, so that it is ordered
against every reading.
"""

from __future__ import annotations

import time
from datetime import datetime, timedelta

from hilseq.clock import nothing
from hilseq.deadlines import DeadlineSocket
from hilseq.errors import InstrumentTimeout, InvalidResponse

#: Longest wall time for one advance; a model that needs longer is stuck.
DEADLINE = 60.0
#: What it says every second while other clients of the clock are busy.
_WAIT = b"wait\n"


class SteppedClock:
    """A clock read from, and moved by, a simulated stand at `endpoint` (HOST:PORT)."""

    def __init__(self, endpoint: str) -> None:
        self._endpoint = endpoint
        self.tick = nothing
        try:
            self._socket = DeadlineSocket.connect(endpoint, DEADLINE)
        except OSError as error:
            raise InstrumentTimeout(
                f"the simulated stand's clock at {endpoint} does not answer: {error}"
            ) from error
        self._moves_alone = False  # with every answer of an instrument, and not only when it is asked to
        self._due = False  # an answer is not read yet: that of `advance_async`, or of what was interrupted
        self._received = b""
        self._request = ""
        try:
            self._now = self._ask("now")
            self._began = self._asked_beginning()
            self._send("pace")
            self._moves_alone = self._reported("pace") == "alone"
        except BaseException:
            self.close()
            raise

    def _ask(self, request: str) -> float:
        self._send(request)
        return self._answer()

    def _asked_beginning(self) -> datetime:
        self._send("date")
        reported = self._reported("date")
        try:
            began = datetime.fromisoformat(reported) - timedelta(seconds=self._now)
        except (ValueError, OverflowError):
            raise self._invalid(f"date {reported}") from None
        if began.tzinfo is None:
            raise self._invalid(f"date {reported}")
        return began

    def _send(self, request: str) -> None:
        self.tick()
        self._request = request
        self._due = True  # before it is sent, so that an interrupt in between is no loss of step
        try:
            self._socket.send_all(request.encode("ascii") + b"\n", time.monotonic() + DEADLINE)
        except OSError as error:
            raise self._lost(error) from error

    def _answer(self) -> float:
        """Return the time in the answer that is due."""
        reported = self._reported("now")
        try:
            return float(reported)
        except ValueError:
            raise self._invalid(f"now {reported}") from None

    def _reported(self, wanted: str) -> str:
        """Return what follows the wanted word in the answer that is due."""
        until = time.monotonic() + DEADLINE
        try:
            while not self._received.endswith(b"\n") or self._received.endswith(_WAIT):
                if self._received.endswith(_WAIT):  # for other clients: it is alive, and so are we
                    self._received, until = b"", time.monotonic() + DEADLINE
                    self.tick()
                self._received += self._socket.receive(256, until)
            self._received = self._received.rpartition(_WAIT)[2]
        except OSError as error:
            raise self._lost(error) from error
        answer, self._received, self._due = self._received, b"", False
        word, _, reported = answer.decode("ascii", "replace").strip().partition(" ")
        if word != wanted:
            raise self._invalid(answer.decode("ascii", "replace"))
        return reported

    def _invalid(self, answer: str) -> InvalidResponse:
        return InvalidResponse(f"the simulated stand's clock answered {answer[:80]!r} to {self._request!r}")

    def _lost(self, error: OSError) -> InstrumentTimeout:
        return InstrumentTimeout(f"the simulated stand's clock at {self._endpoint}: {error}")

    def now(self) -> float:
        """Seconds of the model since it was made; while it heads for an instant, those before."""
        if self._moves_alone and not self._due:
            self._now = self._ask("now")
        return self._now

    def advance_async(self, instant: float) -> None:
        """Let the model advance until `instant`, while something else is done that does not touch it."""
        if self._due:
            return
        seconds = instant - self.now()
        if seconds > 0:
            self._send(f"advance {seconds!r}")

    def sleep(self, seconds: float) -> None:
        """Advance the model by `seconds`."""
        self._arrive()
        if seconds > 0:
            self._now = self._ask(f"advance {seconds!r}")

    def sleep_until(self, instant: float) -> None:
        """Advance the model until `instant`."""
        self._arrive()
        self.sleep(instant - self.now())

    def _arrive(self) -> None:
        if self._due:
            self._now = self._answer()

    def turn(self, slot: str, position: str) -> None:
        """Turn the mode switch of the unit in a slot, as a hand would. Raises InvalidResponse for an unknown one."""
        self._arrive()
        self._now = self._ask(f"turn {slot} {position}")

    def account_wait(self, seconds: float) -> None:
        """Advance the model by time that the wall spent waiting, as it would have on hardware."""
        self.sleep(seconds)

    def moment(self) -> datetime:
        """The date in the model: the day on which it began, moved on by its own time."""
        return self._began + timedelta(seconds=self._now)

    def close(self) -> None:
        """Close the connection."""
        self._socket.close()
