"""One Modbus device over TCP or a serial line: blocks of its tables, single values, identification, loop-back.

Knows tables and how much one request may hold. Must not know signals, units or stands.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import Self

from hilseq.description.registers import FULL_MODBUS, ModbusLimits, Register, RegisterTable
from hilseq.errors import HilseqError, StandFault, UnitFault
from hilseq.instruments import codec, pdu
from hilseq.instruments.modbus_transaction import ModbusTransaction
from hilseq.instruments.translate import DecodeError, Responsible, fault, quote, reraise
from hilseq.instruments.transport import TcpTransport, serial_transport

#: Pause between two looks at what a device is still carrying out, seconds.
_PAUSE = 0.02
#: Identification objects come in as many answers as they need; a device that never ends is given up.
_MOST_ANSWERS = 32


class ModbusDevice(ModbusTransaction):
    """One device at the far end of a connection or line; see `ModbusTransaction` for how it is asked.

    A write that is answered with exception 05 counts as accepted: "the server has accepted the request and is
    processing it, but a long duration of time will be required" (V1.1b3, 7), and sending it again would be wrong.
    Whether it was carried out is for its effect to tell, which everybody here looks at: values are read back, for as
    long as a deadline again and again; of a command that is not (`store`, `clear`, a mode) the configuration, the
    fault table and the mode are.
    """

    #: Until when a write that was acknowledged only may still be carried out.
    _carried_out_by = 0.0

    @classmethod
    def over_tcp(
        cls,
        name: str,
        endpoint: str,
        *,
        device: int = 1,
        deadline: float = 1.0,
        responsible: Responsible = "stand",
        place: str | None = None,
        quirks: ModbusLimits = FULL_MODBUS,
        repeats: int = 0,
    ) -> Self:
        """Return the device at HOST:PORT."""
        return cls(
            name,
            TcpTransport(endpoint),
            rtu=False,
            device=device,
            deadline=deadline,
            responsible=responsible,
            place=place,
            quirks=quirks,
            repeats=repeats,
        )

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
        responsible: Responsible = "stand",
        place: str | None = None,
        quirks: ModbusLimits = FULL_MODBUS,
        repeats: int = 0,
    ) -> Self:
        """Return the device on a serial line, Modbus RTU.

        `port` is a port of this computer, a VISA resource ASRL...::INSTR, or HOST:PORT of a serial device
        server. `speed` in Bd, `frame` such as 8E1.
        """
        return cls(
            name,
            serial_transport(port, speed, frame),
            rtu=True,
            device=device,
            deadline=deadline,
            responsible=responsible,
            place=place,
            quirks=quirks,
            repeats=repeats,
        )

    def read_block(self, table: RegisterTable, address: int, count: int, *, whole: int = 1) -> list[int]:
        """Return `count` bits or registers from `address` on, in as many requests as the device needs.

        Each `whole` of them belong together and come from one request, of one moment.
        """
        values: list[int] = []
        limit = self.quirks.most_read(table)
        most = max(limit - limit % whole, whole)
        while len(values) < count:
            size = min(count - len(values), most)
            request = self._built(pdu.read_request, table, address + len(values), size)
            data = self.data(request, self.exchange(request))
            values += codec.bits_of(data, size) if table.holds_bits else codec.words_of(data)
        return values

    def write_block(
        self,
        table: RegisterTable,
        address: int,
        values: Sequence[int],
        *,
        verify: bool = False,
        again: bool = False,
    ) -> None:
        """Write bits or registers from `address` on, in as many requests as the device needs.

        With `verify` they are read back: StandFault or UnitFault names the first that differs. `again` says
        that they are plain values, which do no harm when they are written twice.
        """
        most, single = self.quirks.most_written(table), self.quirks.has_single(table)
        for start in range(0, len(values), most):
            piece = values[start : start + most]
            request = self._built(pdu.write_request, table, address + start, piece, single=single)
            answer = self.exchange(request, again=again or verify)
            try:
                pdu.check_write_answer(request, answer)
            except (pdu.Refused, DecodeError) as error:
                if not isinstance(error, pdu.Refused) or error.code != pdu.ACKNOWLEDGED:
                    self._refused(error, request)
                self._carried_out_by = time.monotonic() + self.deadline
        if verify:
            wanted = list(values)
            back = self.read_back(table, address, len(values), lambda seen: seen == wanted)
            wrong = [
                place for place, (sent, seen) in enumerate(zip(values, back, strict=True)) if sent != seen
            ]
            if wrong:
                raise self.mismatch(
                    f"{table} {address + wrong[0]} was written as {values[wrong[0]]} and reads back as "
                    f"{back[wrong[0]]} ({len(wrong)} of {len(values)} differ)"
                )

    def read_back(
        self, table: RegisterTable, address: int, count: int, holds: Callable[[list[int]], bool]
    ) -> list[int]:
        """Return what stands where something was just written, as `read_block` does.

        After a write that was acknowledged only, it is read until it `holds`, or the deadline has passed.
        """
        back = self.read_block(table, address, count)
        while not holds(back) and time.monotonic() < self._carried_out_by:
            time.sleep(_PAUSE)
            back = self.read_block(table, address, count)
        return back

    def read(self, register: Register) -> float:
        """Return the value of a register, in its unit."""
        words = self.read_block(register.table, register.address, register.kind.width)
        try:
            return codec.decode(register, words)
        except DecodeError as error:
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
            self.write_block(register.table, register.address, words, again=verify)
            if verify:
                back = self.read_back(
                    register.table, register.address, len(words), lambda seen: seen == words
                )
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

    @property
    def asks_again(self) -> bool:
        """Whether a write that does not read back is looked into, and counted where it comes right: a unit's is."""
        return self._responsible == "unit"

    def mismatch(self, words: str, names: Sequence[str] = ()) -> HilseqError:
        """Return the error for a value that does not read back as written: of a unit, at the points it has it of."""
        message = f"{self.name} ({self.transport.resource}, device {self._device}): {words}"
        if self._responsible == "unit":
            return UnitFault(message, places=list(names)) if names else UnitFault(message, place=self._place)
        return StandFault(message, place=self._place)

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
            except (pdu.Refused, DecodeError) as error:
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
        except (pdu.Refused, DecodeError) as error:
            self._refused(error, request)

    def _built(self, build: Callable[..., bytes], *parts: object, **how: object) -> bytes:
        try:
            return build(*parts, **how)
        except ValueError as error:
            reraise(error, self.about(build.__name__.replace("_", " ")))


def _text(data: bytes) -> str:
    """Return the text of an identification object; what is not printable is made visible."""
    return quote(data.decode("latin-1").strip(" \0"))
