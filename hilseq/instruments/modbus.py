"""One Modbus device over TCP or a serial line: a question, its answer, and nothing else taken for it.

Knows how to keep question and answer in step under a deadline. Must not know signals, units or stands.

The requests and frames are pymodbus's own; the connection is ours and not pymodbus's client, because that
client repeats questions by itself, opens lost connections in silence, says `connected` of one that was reset,
sleeps between looks at a serial line, and passes over an answer to another question until its deadline.
Measured on loopback (tests/bench/bench_modbus.py): 142 signals in 4 requests take half of its time.

After a failure a TCP connection is closed at once and opened anew by the next call, so that a late answer has
nowhere to arrive. A serial line has no connection to close and its answers carry no number: there the next
question waits until the deadline of the last has passed, or one more deadline if it had passed already.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from types import TracebackType
from typing import NoReturn, Self

from hilseq.description.registers import Register, Table
from hilseq.errors import HilseqError, StandFault, UnitFault
from hilseq.instruments import codec, pdu
from hilseq.instruments.translate import Exchange, Garbled, Owner, fault, quote, reported, reraise
from hilseq.instruments.transport import (
    TcpTransport,
    Transport,
    answer_time,
    path_owner,
    serial_transport,
    throw_away,
)

#: Identification objects come in as many answers as they need; a device that never ends is given up.
_MOST_ANSWERS = 32


class ModbusDevice:
    """One device at the far end of a connection or line.

    `name` goes into messages, `deadline` is the longest wait for one answer in seconds (the time on a serial
    line comes on top), `owner` decides the family of errors: InstrumentSilent, InstrumentGarbage and
    InstrumentError for the stand; UnitSilent and UnitFault for the unit. `place` goes into them too. Nothing
    is opened before the first call. Several threads may share it.
    """

    def __init__(
        self,
        name: str,
        transport: Transport,
        *,
        rtu: bool,
        device: int = 1,
        deadline: float = 1.0,
        owner: Owner = "stand",
        place: str | None = None,
    ) -> None:
        self.name = name
        self.transport = transport
        self.deadline = deadline
        self.lock: threading.RLock = transport.shared
        self._rtu = rtu
        self._device = device
        self._owner: Owner = owner
        self._place = place if place is not None or owner == "unit" else name
        self._transaction = 0
        self._until = 0.0
        self._silent_from = 0.0  # instant from which the line may be used again
        # The request that is under way; what is interrupted leaves it here, and the next one starts afresh.
        self._outstanding: bytes | None = None

    @classmethod
    def over_tcp(
        cls,
        name: str,
        endpoint: str,
        *,
        device: int = 1,
        deadline: float = 1.0,
        owner: Owner = "stand",
        place: str | None = None,
    ) -> Self:
        """Return the device at HOST:PORT."""
        transport = TcpTransport(endpoint)
        return cls(name, transport, rtu=False, device=device, deadline=deadline, owner=owner, place=place)

    @classmethod
    def over_serial(
        cls,
        name: str,
        port: str,
        *,
        speed: int = 19200,
        frame: str = "8E1",
        device: int = 1,
        deadline: float = 1.0,
        owner: Owner = "stand",
        place: str | None = None,
    ) -> Self:
        """Return the device on a serial line, Modbus RTU.

        `port` is a port of this computer, a VISA resource ASRL...::INSTR, or HOST:PORT of a serial device
        server. `speed` in Bd, `frame` such as 8E1.
        """
        transport = serial_transport(port, speed, frame)
        return cls(name, transport, rtu=True, device=device, deadline=deadline, owner=owner, place=place)

    # -- connection

    def open(self) -> None:
        """Open the connection now; otherwise the first request does."""
        with self.lock:
            if not self.transport.is_open:
                try:
                    self.transport.open(self.deadline)
                except Exception as error:  # noqa: BLE001 - reraise lets pass what is none of theirs
                    reraise(error, self.about("open the connection"))

    def close(self) -> None:
        """Close the connection; the next call opens it again."""
        with self.lock:
            self._outstanding = None
            self.transport.close()

    def begin_anew(self) -> None:
        """Give up a connection that the far end has forgotten; a serial line has none."""
        if not self._rtu:
            self.close()

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

    def request(self, request: bytes) -> None:
        """Send a request (a PDU of `pdu`). The first half of an exchange: hold `lock` until `response`.

        With the two halves a sampler asks several instruments before it listens to the first.
        """
        self.abandon()
        try:
            self._make_ready()
            self._outstanding = request
            sent = self._framed(request)
            self._until = time.monotonic() + self.deadline
            if self._rtu:
                expected = pdu.expected_rtu_length(request)
                self._until += answer_time(self.transport, len(sent), expected)
            self.transport.send(sent, self._until)
        except Exception as error:  # noqa: BLE001 - _failed lets pass what is none of theirs
            self._failed(error, request)

    def response(self) -> bytes:
        """Return the PDU that answers the request under way; an exception response too."""
        request = self._outstanding
        if request is None:
            raise RuntimeError("no request is under way")
        try:
            data = self.transport.receive(self._until)
            while (answer := self._cut(data, request)) is pdu.NEED_MORE:
                data += self.transport.receive(self._until)
        except Exception as error:  # noqa: BLE001 - _failed lets pass what is none of theirs
            self._failed(error, request)
        self._outstanding = None
        if self._rtu and self.transport.speed:
            self._silent_from = time.monotonic() + pdu.silent_interval(self.transport.speed)
        return answer

    def data(self, request: bytes, answer: bytes) -> bytes:
        """Return the data of the answer to a read request. Raises what the answer reports."""
        try:
            return pdu.read_answer(request, answer)
        except (pdu.Refused, Garbled) as error:
            self._refused(error, request)

    def _make_ready(self) -> None:
        transport = self.transport
        if not transport.is_open:
            transport.open(self.deadline)
        elif not self._rtu:
            try:
                unasked = transport.pending()
            except ConnectionError:
                # Dropped while nobody was asking, as servers do with idle connections: no answer is lost.
                transport.close()
                transport.open(self.deadline)
                return
            if unasked:
                transport.close()
                raise Garbled(f"it had sent {unasked[:16].hex(' ')} unasked")
        if self._rtu:
            throw_away(transport, most=2 * self.deadline)
            pause = self._silent_from - time.monotonic()
            if pause > 0:
                time.sleep(pause)

    def _framed(self, request: bytes) -> bytes:
        if self._rtu:
            return pdu.rtu_frame(self._device, request)
        self._transaction = self._transaction % 0xFFFF + 1
        return pdu.tcp_frame(self._transaction, self._device, request)

    def _cut(self, data: bytes, request: bytes) -> bytes | pdu.NeedMore:
        if self._rtu:
            return pdu.rtu_cut(data, self._device, request)
        return pdu.tcp_cut(data, self._transaction, self._device)

    def _failed(self, error: Exception, request: bytes) -> NoReturn:
        self.abandon()
        if not isinstance(error, (TimeoutError, Garbled)):
            self.transport.close()
        reraise(error, self.about(pdu.describe(request)))

    def _refused(self, error: Exception, request: bytes) -> NoReturn:
        about = self.about(pdu.describe(request))
        if not isinstance(error, pdu.Refused):
            reraise(error, about)
        raise self._reported(error, about) from error

    def _reported(self, error: pdu.Refused, about: Exchange) -> HilseqError:
        """Return the error for an exception response.

        On the link of a unit, a gateway that says its target is silent says that the unit is (0B); one that
        has no path speaks of its own set-up, which is the stand's (0A).
        """
        if self._owner == "unit" and error.code == pdu.GATEWAY_TARGET_SILENT:
            return fault("lost", str(error), self.about(about.command, path="unit"))
        if self._owner == "unit" and error.code == pdu.GATEWAY_PATH_UNAVAILABLE:
            about = self.about(about.command, owner="stand")
        return reported(error.code, error.words, about)

    def about(self, command: str, *, owner: Owner | None = None, path: Owner | None = None) -> Exchange:
        """Return what a message says of an exchange with this device."""
        return Exchange(
            self.name,
            f"{self.transport.resource}, device {self._device}",
            command,
            self.deadline,
            owner or self._owner,
            path or path_owner(self.transport, self._owner),
            self._place,
        )

    # -- whole exchanges

    def exchange(self, request: bytes) -> bytes:
        """Send a request and return the PDU that answers it; an exception response is returned too."""
        with self.lock:
            self.request(request)
            return self.response()

    def read_block(self, table: Table, address: int, count: int) -> list[int]:
        """Return `count` bits or registers from `address` on, in as many requests as they need."""
        values: list[int] = []
        while len(values) < count:
            size = min(count - len(values), pdu.most_read(table))
            request = self._built(pdu.read_request, table, address + len(values), size)
            data = self.data(request, self.exchange(request))
            values += codec.bits_of(data, size) if table.holds_bits else codec.words_of(data)
        return values

    def write_block(self, table: Table, address: int, values: Sequence[int], *, verify: bool = False) -> None:
        """Write bits or registers from `address` on, in as many requests as they need.

        With `verify` they are read back: StandFault or UnitFault names the first that differs.
        """
        most = pdu.most_written(table)
        for start in range(0, len(values), most):
            request = self._built(pdu.write_request, table, address + start, values[start : start + most])
            answer = self.exchange(request)
            try:
                pdu.check_write_answer(request, answer)
            except (pdu.Refused, Garbled) as error:
                self._refused(error, request)
        if verify:
            back = self.read_block(table, address, len(values))
            wrong = [
                place for place, (sent, seen) in enumerate(zip(values, back, strict=True)) if sent != seen
            ]
            if wrong:
                raise self.mismatch(
                    f"{table} {address + wrong[0]} was written as {values[wrong[0]]} and reads back as "
                    f"{back[wrong[0]]} ({len(wrong)} of {len(values)} differ)"
                )

    def read(self, register: Register) -> float:
        """Return the value of a register, in its unit."""
        words = self.read_block(register.table, register.address, register.kind.width)
        try:
            return codec.decode(register, words)
        except Garbled as error:
            reraise(error, self.about(f"read {register.table} {register.address}"))

    def write(self, register: Register, value: float, *, verify: bool = True) -> None:
        """Write a value, in the register's unit, and read it back.

        A bit packed into a register is written by reading the register, changing the bit and writing it. A
        value that does not fit is refused before anything is sent (StandFault: the stand file or the sequence
        asks for it).
        """
        words = self.encoded(register, value)
        with self.lock:
            if register.bit is not None:
                (old,) = self.read_block(register.table, register.address, 1)
                words = [old & ~(1 << register.bit) | words[0] << register.bit]
            self.write_block(register.table, register.address, words)
            if verify:
                back = self.read_block(register.table, register.address, len(words))
                if back != words:
                    raise self.mismatch(
                        f"{register.table} {register.address} was written as {value:g} and reads back as "
                        f"{codec.decode(register, back):g} {register.unit}".rstrip()
                    )

    def encoded(self, register: Register, value: float) -> list[int]:
        """Return the words that hold a value, or the bit. Raises StandFault when it does not fit."""
        try:
            return codec.encode(register, value)
        except codec.NotEncodable as error:
            reraise(error, self.about(f"write {register.table} {register.address}"))

    def mismatch(self, words: str) -> HilseqError:
        """Return the error for a value that does not read back as written."""
        message = f"{self.name} ({self.transport.resource}, device {self._device}): {words}"
        family = UnitFault if self._owner == "unit" else StandFault
        return family(message, place=self._place)

    def identification(self, level: int = 1) -> dict[int, str]:
        """Return the identification objects by number (function 43/14): 0 maker, 1 product, 2 revision.

        `level` 1 asks for these, 2 for the regular objects 3 to 6 too, 3 for the extended ones as well.
        """
        objects: dict[int, str] = {}
        following: int | None = 0
        for _ in range(_MOST_ANSWERS):
            request = self._built(pdu.identification_request, level, following)
            answer = self.exchange(request)
            try:
                found, following = pdu.identification_answer(request, answer)
            except (pdu.Refused, Garbled) as error:
                self._refused(error, request)
            objects |= {number: _text(data) for number, data in found.items()}
            if following is None:
                return objects
        raise fault(
            "garbage", f"more than {_MOST_ANSWERS} answers, without end", self.about("identification")
        )

    def loopback(self, data: bytes) -> bytes:
        """Send `data` there and return what comes back (function 08, sub-function 0000).

        The caller compares: a unit that sends back something else has a bit error, no link fault.
        """
        with self.lock:
            self.ask_loopback(data)
            return self.looped_back()

    def ask_loopback(self, data: bytes) -> None:
        """Send the question of `loopback`, the first half of it."""
        self.request(self._built(pdu.loopback_request, data))

    def looped_back(self) -> bytes:
        """Return what came back after `ask_loopback`."""
        request = self._outstanding or b""
        answer = self.response()
        try:
            return pdu.loopback_answer(request, answer)
        except (pdu.Refused, Garbled) as error:
            self._refused(error, request)

    def _built(self, build: Callable[..., bytes], *parts: object) -> bytes:
        try:
            return build(*parts)
        except ValueError as error:
            reraise(error, self.about(build.__name__.replace("_", " ")))

    def __enter__(self) -> Self:
        """Open the connection."""
        self.open()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the connection."""
        self.close()


def _text(data: bytes) -> str:
    """Return the text of an identification object; what is not printable is made visible."""
    return quote(data.decode("latin-1").strip(" \0"))
