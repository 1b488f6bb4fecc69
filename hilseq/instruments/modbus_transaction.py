"""One question to a Modbus device and its answer, in step and under a deadline.

Knows connections, frames, and which answer belongs to which question. Must not know registers, signals or
stands.

The requests and frames are pymodbus's own; the connection is ours and not pymodbus's client, because that
client repeats questions by itself, opens lost connections in silence, says `connected` of one that was reset,
sleeps between looks at a serial line, and passes over an answer to another question until its deadline.
Measured on loopback (tests/bench/bench_modbus.py): 142 signals in 4 requests take half of its time.

A device that is busy is asked again until the deadline is over: exception 06 says that the request was not
carried out and should be sent again later (MODBUS Application Protocol Specification V1.1b3, 7), which holds of
commands too. Only a device that has nothing else to say by then is reported, with how often it was asked.

An answer that comes twice, as networks and gateways deliver some, carries the number of an earlier question and is
passed over; where none but such answers come before the deadline, the device answers the wrong questions. An answer
to a question that was never asked on this connection is no answer, at once.

A device that closes its connection after each answer may do so while the next question is on its way; a question
that reads, and a write of values that are read back (`again`), is then sent once more over a new connection, a
command never is. Before the first command, whether the device closes is therefore found out with the last
question, asked once more; to one that does, each command goes over a fresh connection.

What reads, and a write that may be sent twice, is sent again to a device that has answered before (`repeats`), when
its answer is lost, wrong or a refusal; what comes right then is counted (`LinkTally`). After `reconnect`, and after
a failure that lasted, nothing is sent again before the device has answered: one that starts, or is gone, costs no more.

After a failure a TCP connection is closed at once and opened anew by the next call, so that a late answer has
nowhere to arrive. A serial line has no connection to close and its answers carry no number: there the next
question waits until the deadline of the last has passed, or one more deadline if it had passed already.
"""

from __future__ import annotations

import threading
import time
from types import TracebackType
from typing import NoReturn, Self

from hilseq.deadlines import try_until
from hilseq.description.registers import FULL_MODBUS, ModbusLimits
from hilseq.errors import HilseqError
from hilseq.instruments import pdu
from hilseq.instruments.link_tally import PLACE, LinkTally
from hilseq.instruments.translate import DecodeError, Exchange, Responsible, fault, reported, reraise
from hilseq.instruments.transport import Transport, drain_input, path_responsible

#: Pause before a device that was busy is asked again, seconds: long beside an answer, short beside a deadline.
BUSY_PAUSE = 0.02
#: Pause before a device that has answered, and now refuses a connection, is tried again, seconds.
REOPEN_PAUSE = 0.05
#: The least time for opening a connection that is asked of the operating system: 0 would be no waiting at all.
_LEAST = 1e-3


class ModbusTransaction:
    """One device at the far end of a connection or line.

    `name` goes into messages, `deadline` is the longest wait for one answer in seconds (the time on a serial
    line comes on top), `responsible` decides the family of errors: InstrumentTimeout, InvalidResponse and
    InstrumentError for the stand; UnitSilent and UnitFault for the unit. `place` goes into them too. `quirks`
    say how the device wants to be asked, `repeats` how often it is asked again what it did not
    answer. Nothing is opened before the first call. Several threads may share it.
    """

    def __init__(
        self,
        name: str,
        transport: Transport,
        *,
        rtu: bool,
        device: int = 1,
        deadline: float = 1.0,
        responsible: Responsible = "stand",
        place: str | None = None,
        quirks: ModbusLimits = FULL_MODBUS,
        repeats: int = 0,
    ) -> None:
        self.name = name
        self.quirks = quirks
        self.transport = transport
        self.deadline = deadline
        self.lock: threading.RLock = transport.shared
        self._rtu = rtu
        self._device = device
        self._responsible: Responsible = responsible
        self._place = place if place is not None or responsible == "unit" else name
        self._transaction = 0
        self._answered = 0  # how many answers came over this connection
        self._early = b""  # what came before the question: the beginning of a late answer
        self._sent = self._until = 0.0
        self._asked = 0  # how often the request under way was sent
        self._quiet = self._least_pause()  # time between an answer and the next question, s
        self._silent_from = 0.0  # instant from which the line may be used again
        self._reopened = False  # whether the connection was opened anew for the request under way
        self._again = False  # whether the request under way may be sent twice
        self._closes = False  # whether the far end closes its connections after one answer
        self._keeps = False  # whether it has ever answered twice over one connection
        #: How many exchanges failed: no answer, a lost connection, or invalid data. For the caller to begin anew at 0.
        self.failures = 0
        #: How many requests were sent that may change something.
        self.commands: int | None = 0
        self.tally = LinkTally()
        self._repeats = repeats
        self._steady = False  # whether the device answered last
        self._question = b""  # the last request that changes nothing and was answered
        # The request that is under way; what is interrupted leaves it here, and the next one starts afresh.
        self._outstanding: bytes | None = None

    # -- connection

    def open(self) -> None:
        """Open the connection now; otherwise the first request does."""
        with self.lock:
            if not self.transport.is_open:
                try:
                    self._open(self.deadline)
                except Exception as error:  # noqa: BLE001 - reraise lets pass what is none of theirs
                    reraise(error, self.about("open the connection"))

    def close(self) -> None:
        """Close the connection; the next call opens it again."""
        with self.lock:
            self._outstanding = None
            self.transport.close()

    def reconnect(self) -> None:
        """Give up a connection that the far end has forgotten; a serial line has none."""
        self._steady = False
        if not self._rtu:
            self.close()

    def reachable(self) -> str:
        """Say what becomes of opening its connection anew: `takes connections`, or why it does not."""
        with self.lock:
            self.close()
            try:
                self._open(self.deadline)
            except ConnectionRefusedError:
                return "refuses connections"
            except (OSError, TimeoutError) as error:
                return f"cannot be reached ({error})"
            return "takes connections"

    def abandon(self) -> None:
        """Give up on the answer under way, so that it is not taken for that to the next question."""
        if self._outstanding is None:
            return
        self._outstanding = None
        if self._rtu:
            now = time.monotonic()
            self.transport.quiet_from = self._until if now < self._until else now + self.deadline
        else:
            self.transport.close()

    # -- the two halves of an exchange

    def request(self, request: bytes, *, again: bool = False) -> None:
        """Send a request (a PDU of `pdu`). The first half of an exchange: hold `lock` until `response`.

        With the two halves a sampler asks several instruments before it listens to the first. `again` says that
        it may be carried out twice, as may whatever changes nothing.
        """
        self._again = again or request[0] in pdu.HARMLESS
        try:
            self._ask(request)
        except Exception as error:  # noqa: BLE001 - _failed lets pass what is none of theirs
            self._failed(error, request)

    def _ask(self, request: bytes) -> None:
        self.abandon()
        self._make_ready(request, self.deadline)
        self._outstanding, self._asked, self._reopened = request, 1, False
        sent = self._framed(request)
        self._sent = time.monotonic()
        self._until = self._sent + self.deadline
        if self._rtu:
            expected = pdu.expected_rtu_length(request)
            self._until += pdu.line_time(len(sent) + expected, self.transport.speed)
        self.tally.sent += 1
        if self.commands is not None and request[0] not in pdu.HARMLESS:
            self.commands += 1
        self.transport.send(sent, self._until)

    def response(self) -> bytes:
        """Return the PDU that answers the request under way; an exception response too.

        While the device says that it is busy it is asked again, all within the deadline of the request. See `repeats`
        for what else may be asked again, each time with a deadline of its own.
        """
        request = self._outstanding
        if request is None:
            raise RuntimeError("no request is under way")
        try:
            answer = self._answer_at_last(request)
        except Exception as error:  # noqa: BLE001 - _failed lets pass what is none of theirs
            self._failed(error, request)
        self._outstanding = None
        if request[0] in pdu.HARMLESS:
            self._question = request
        self._has_answered()
        return answer

    def _answer_at_last(self, request: bytes) -> bytes:
        left = self._repeats if self._steady and self._again else 0
        if not left:
            return self._answer(request)
        missed = LinkTally()
        while True:
            try:
                answer = self._answer(request)
                if not _refuses(answer):
                    self.tally.add(missed)
                    return answer
                if not left:
                    return answer
                missed.refused += 1
                self._outstanding = None
                self._has_answered()
            except (TimeoutError, DecodeError) as error:
                if not left:
                    raise
                # Asked again in vain within one request, it is still one moment in which the link was away.
                missed.lost |= isinstance(error, TimeoutError)
                missed.wrong += isinstance(error, DecodeError)
            left -= 1
            self._ask(request)

    def _answer(self, request: bytes) -> bytes:
        answer = self._received(request)
        while answer[0] & pdu.EXCEPTION_BIT and answer[1] == pdu.BUSY and self._asks_again(request):
            answer = self._received(request)
        return answer

    def _has_answered(self) -> None:
        self._steady = True
        self._answered += 1
        self._keeps = self._keeps or self._answered > 1
        if self._quiet:
            self._silent_from = time.monotonic() + self._quiet

    def _received(self, request: bytes) -> bytes:
        try:
            data = self.transport.receive(self._until)
        except ConnectionError:
            if not self._asks_anew(request):
                raise
            data = self.transport.receive(self._until)
        if self._early:
            data, self._early = self._early + data, b""
        while (answer := self._cut(data, request)) is pdu.NEED_MORE:
            try:
                data += self.transport.receive(self._until)
            except TimeoutError:
                if not self._rtu and pdu.is_late(data, self._transaction, self._answered):
                    seen = int.from_bytes(data[:2], "big")
                    raise DecodeError(
                        f"it answers transaction {seen} only, asked was {self._transaction}"
                    ) from None
                raise
        return answer

    def _asks_again(self, request: bytes) -> bool:
        """Send the request to a device that was busy once more, unless an answer would come too late by then.

        An answer may take twice as long as the last: what is silent then has gone silent, and is not busy.
        """
        now = time.monotonic()
        pause = max(BUSY_PAUSE, self._quiet)
        if now + pause + 2 * (now - self._sent) >= self._until:
            return False
        time.sleep(pause)
        self._answered += 1
        self._make_ready(request, self._until - time.monotonic())
        self._asked += 1
        self._send(request)
        return True

    def _asks_anew(self, request: bytes) -> bool:
        """Send a question over a new connection when the far end has closed this one instead of answering.

        Only where it had answered on this connection before and so was closing it while the question was on its
        way; only once for each request, within its deadline; and never a command, which may have been carried out.
        """
        if self._rtu or self._reopened or not self._answered or not self._again:
            return False
        self._reopened = True
        self._open_anew(self._until - time.monotonic())
        self._send(request)
        return True

    def _send(self, request: bytes) -> None:
        self._sent = time.monotonic()
        self.transport.send(self._framed(request), self._until)

    def data(self, request: bytes, answer: bytes) -> bytes:
        """Return the data of the answer to a read request. Raises what the answer reports."""
        try:
            return pdu.read_answer(request, answer)
        except (pdu.Refused, DecodeError) as error:
            self._refused(error, request)

    def _open(self, within: float) -> None:
        self._answered, self._early = 0, b""
        self.transport.open(max(within, _LEAST))

    def _open_anew(self, within: float) -> None:
        """Open the connection that the far end has closed."""
        self._closes = self._answered == 1
        self._open_again(within)

    def _open_again(self, within: float) -> None:
        """Open a connection in place of one that has answered; devices with a single one need a moment for that."""
        self.transport.close()
        until = time.monotonic() + within

        def attempt() -> ConnectionRefusedError | None:
            try:
                self._open(until - time.monotonic())
            except ConnectionRefusedError as refused:
                return refused
            return None

        if (refused := try_until(attempt, until=until, pause=REOPEN_PAUSE)) is not None:
            raise refused

    def _make_ready(self, request: bytes, within: float) -> None:
        if self._quiet and (pause := self._silent_from - time.monotonic()) > 0:
            time.sleep(pause)
        if not self.transport.is_open:
            self._open(within)
        elif not self._rtu:
            self._see_to_connection(request, within)
        if self._rtu:
            drain_input(self.transport, most=2 * self.deadline, reopened_within=max(within, _LEAST))

    def _see_to_connection(self, request: bytes, within: float) -> None:
        """Have a connection that the far end has not closed, and will not close on a command."""
        try:
            unasked = self.transport.pending()
        except ConnectionError:
            # Dropped while nobody was asking, as servers do with idle connections: no answer is lost.
            self._open_anew(within)
            return
        if unasked:
            self._pass_over(unasked)
        elif self._answered and request[0] not in pdu.HARMLESS:
            if self._answered == 1 and self._question and not (self._keeps or self._closes):
                self._find_out(within)
            if self._closes:
                # It will close this connection too, perhaps with the command on its way: that would be lost.
                self._open_again(within)

    def _find_out(self, within: float) -> None:
        """Find out whether the far end closes its connections after one answer: ask the last question once more."""
        known = self._until, self._again, self._reopened
        self._outstanding, self._again, self._reopened = self._question, True, False
        self._until = time.monotonic() + within
        self._send(self._question)
        self._received(self._question)
        self._outstanding = None
        self._has_answered()
        self._until, self._again, self._reopened = known
        if self._quiet:
            time.sleep(self._quiet)

    def _pass_over(self, unasked: bytes) -> None:
        """Pass over late answers that came between two questions. Raises DecodeError for anything else."""
        data = self._early + unasked
        following = pdu.next_transaction(self._transaction)
        self._early = pdu.without_late(data, following, self._answered)
        if self._early and not pdu.is_late(self._early, following, self._answered):
            self.transport.close()
            raise DecodeError(f"it had sent {data[:16].hex(' ')} unasked")

    def _framed(self, request: bytes) -> bytes:
        if self._rtu:
            return pdu.rtu_frame(self._device, request)
        self._transaction = pdu.next_transaction(self._transaction)
        return pdu.tcp_frame(self._transaction, self._device, request)

    def _cut(self, data: bytes, request: bytes) -> bytes | pdu.NeedMore:
        if self._rtu:
            return pdu.rtu_cut(data, self._device, request)
        return pdu.tcp_cut(data, self._transaction, self._device, self._answered)

    def _failed(self, error: Exception, request: bytes) -> NoReturn:
        self.failures += 1
        self._steady = False
        self.abandon()
        if not isinstance(error, (TimeoutError, DecodeError)):
            self.transport.close()
        reraise(error, self.about(pdu.describe(request)))

    def _refused(self, error: Exception, request: bytes) -> NoReturn:
        about = self.about(pdu.describe(request))
        if not isinstance(error, pdu.Refused):
            reraise(error, about)
        if self.tally.is_unreliable:
            self.failures += 1  # perhaps the link's doing too: a command is not asked again here
        raise self._reported(error, about, pdu.way_out(request, error.code)) from error

    def _reported(self, error: pdu.Refused, about: Exchange, key: str) -> HilseqError:
        """Return the error for an exception response.

        On the link of a unit, what a gateway says of the way behind it (0A, 0B) says that the unit is not reached.
        """
        if self._responsible == "unit" and error.code in pdu.GATEWAY_REFUSALS:
            return fault("lost", str(error), self.about(about.command, path="unit"))
        again = error.code == pdu.BUSY and self._asked > 1
        hint = f" (asked {self._asked} times within {self.deadline:g} s)" if again else ""
        if key and about.responsible == "stand":
            hint = f"; a device that does not take such a request is described with `{key}`"
        return reported(error.code, error.words, about, hint)

    def _least_pause(self) -> float:
        line = pdu.silent_interval(self.transport.speed) if self._rtu and self.transport.speed else 0.0
        return max(self.quirks.pause, line)

    def about(self, command: str, *, path: Responsible | None = None) -> Exchange:
        """Return what a message says about an exchange with this device."""
        return Exchange(
            self.name,
            f"{self.transport.resource}, device {self._device}",
            command,
            self.deadline,
            self._responsible,
            path or path_responsible(self.transport, self._responsible),
            self._place or (PLACE if self.tally.is_unreliable else None),
        )

    def exchange(self, request: bytes, *, again: bool = False) -> bytes:
        """Send a request and return the PDU that answers it; an exception response is returned too.

        `again`: see `request`.
        """
        with self.lock:
            self.request(request, again=again)
            return self.response()

    def __enter__(self) -> Self:
        """Open the connection."""
        self.open()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the connection."""
        self.close()


def _refuses(answer: bytes) -> bool:
    """Return whether an answer says no; a device that is busy, or has begun what it was commanded, does not."""
    return bool(answer[0] & pdu.EXCEPTION_BIT) and answer[1] not in (pdu.ACKNOWLEDGED, pdu.BUSY)
