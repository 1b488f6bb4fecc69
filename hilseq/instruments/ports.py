"""A communication port of the unit, as the stand reaches it: bytes there, bytes back.

Knows that a port that cannot be opened, or a way there that is lost, is the stand's fault, and that silence
on an open port is the unit's. Must not know what a right answer is: the caller compares.

There is a partner at a port, seen from the stand: an echo, or a Modbus device over serial or network.

Knows which frames prove something, and how many bits. Must not know how many are enough.
"""

from __future__ import annotations

import time
from collections.abc import Collection, Iterator
from itertools import chain, repeat
from types import TracebackType
from typing import NoReturn, Self

from hilseq.analysis.bit_errors import PRBS9, PRBS15, BitSource
from hilseq.description.registers import Register
from hilseq.errors import UnitFault
from hilseq.instruments import pdu
from hilseq.instruments.modbus import ModbusDevice
from hilseq.instruments.pdu import line_time
from hilseq.instruments.protocols import SHORT_FRAME, PortFrame, SerialPartner
from hilseq.instruments.translate import Exchange, reraise
from hilseq.instruments.transport import Transport, drain_input, serial_transport

#: Shortest time without an answer before a port counts as quiet again, seconds.
_QUIET = 0.02


class OpenPort:
    """An open port. `deadline` in seconds is the wait for an answer; the time on the line comes on top."""

    def __init__(self, name: str, transport: Transport, deadline: float) -> None:
        self.name = name
        self.transport = transport
        self.deadline = deadline
        self._expected = 0  # bytes that answer what `ask` has sent
        self._asked_until = 0.0

    def open(self) -> None:
        """Open the port. Raises StandFault."""
        try:
            if not self.transport.is_open:
                self.transport.open(self.deadline)
        except Exception as error:  # noqa: BLE001 - reraise lets pass what is none of theirs
            about = self._about("open the port")
            reraise(error, Exchange(about.name, about.resource, about.command, about.deadline))

    def write(self, data: bytes) -> None:
        """Send bytes."""
        self.open()
        try:
            self.transport.send(data, time.monotonic() + self.deadline + self._line_time(len(data)))
        except Exception as error:  # noqa: BLE001
            self._failed(error, f"send {len(data)} bytes")

    def read(self, count: int, *, deadline: float | None = None) -> bytes:
        """Return `count` bytes, more when more came with them, fewer when the deadline passed before.

        Raises UnitSilent when nothing came at all.
        """
        wait = self.deadline if deadline is None else deadline
        return self._read(count, time.monotonic() + wait + self._line_time(count), wait)

    def _read(self, count: int, until: float, late: float) -> bytes:
        """Read until an instant; what did not come may still come for `late` seconds."""
        self.open()
        received = b""
        try:
            while len(received) < count:
                received += self.transport.receive(until)
        except TimeoutError as error:
            self.transport.quiet_from = time.monotonic() + max(late, _QUIET)
            if not received:
                reraise(error, self._about(f"answer with {count} bytes"))
        except Exception as error:  # noqa: BLE001
            self._failed(error, f"answer with {count} bytes")
        return received

    def exchange(self, data: bytes, expected_length: int) -> bytes:
        """Send `data` and return what comes back, `expected_length` bytes when all is well.

        What came before is thrown away, and so is an answer that is still due from an exchange that was
        given up. Fewer bytes, or more, are returned as they came, for the caller to judge; UnitSilent when
        nothing came.
        """
        self.ask(data, expected_length)
        return self.answer()

    def ask(self, data: bytes, expected_length: int) -> None:
        """Send `data`, the first half of an exchange; the wait for its answer begins now."""
        self.open()
        try:
            drain_input(self.transport, most=2 * self.deadline, reopened_within=self.deadline)
        except Exception as error:  # noqa: BLE001
            self._failed(error, "be quiet before a question")
        self.write(data)
        on_the_line = self._line_time(len(data) + expected_length)
        self._expected, self._asked_until = expected_length, time.monotonic() + self.deadline + on_the_line

    def answer(self) -> bytes:
        """Return what came back after `ask`, the second half of an exchange."""
        return self._read(self._expected, self._asked_until, self.deadline)

    def modbus(self, device: int = 1) -> ModbusDevice:
        """Return the Modbus RTU device behind this port, the unit's."""
        return ModbusDevice(
            self.name,
            self.transport,
            rtu=True,
            device=device,
            deadline=self.deadline,
            responsible="unit",
            place=self.name,
        )

    def close(self) -> None:
        """Close the port."""
        self.transport.close()

    def __enter__(self) -> Self:
        """Open the port."""
        self.open()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the port."""
        self.close()

    def _line_time(self, count: int) -> float:
        return line_time(count, self.transport.speed)

    def _failed(self, error: Exception, command: str) -> NoReturn:
        self.transport.close()
        reraise(error, self._about(command))

    def _about(self, command: str) -> Exchange:
        return Exchange(
            self.name, self.transport.resource, command, self.deadline, "unit", "stand", self.name
        )


def open_port(
    resource: str, speed: int = 19200, frame: str = "8E1", deadline: float = 1.0, *, name: str = "port"
) -> OpenPort:
    """Open one port of the unit and return it.

    `resource` is a VISA resource ASRL...::INSTR, a port of this computer such as /dev/ttyUSB0, or HOST:PORT
    of a serial device server in raw TCP mode (which sets speed and frame itself). `speed` in Bd, `frame`
    such as 8E1, `deadline` in seconds. Raises StandFault when it cannot be opened.
    """
    port = OpenPort(name, serial_transport(resource, speed, frame), deadline)
    port.open()
    return port


#: Characters that catch what breaks first: constant levels, alternation, single bits, every low code.
_TELLING = (b"\x00" * 8, b"\xff" * 8, b"\x55\xaa" * 8, bytes(1 << bit for bit in range(8)), bytes(range(32)))
#: What makes another character, of seven bits too, of one that is reserved.
_SPARED = 0x40
#: Characters of one pseudo-random frame: odd, for the other frames are even.
_LENGTH = 63
#: Data of a Modbus loop-back: the pair of octets of the specification's example, then what breaks first.
_LOOPBACK = (b"\xa5\x37", b"\x00\x00", b"\xff\xff", b"\x55\xaa")
#: Modbus RTU, MODBUS over Serial Line V1.02: address, function, sub-function, data, CRC, in octets each way.
_LOOPBACK_BITS = 8 * 2 * 8
_READ_BITS = 8 * (8 + 7)


class EchoPartner(SerialPartner):
    """The unit sends back what it gets: an echoed bit has gone over the line twice, so it counts twice.

    Only characters are sent that the line carries: of `data_bits`, and none of those `reserved` for its flow control.
    """

    def __init__(self, port: OpenPort, data_bits: int, reserved: Collection[int] = ()) -> None:
        self._port = port
        self._data_bits = data_bits
        self._reserved = reserved
        self.short = self._frame(SHORT_FRAME)

    def _frame(self, data: bytes) -> PortFrame:
        octets = [octet & ((1 << self._data_bits) - 1) for octet in data]
        carried = bytes(octet ^ _SPARED if octet in self._reserved else octet for octet in octets)
        return PortFrame(carried, 2 * self._data_bits * len(carried))

    def frames(self) -> Iterator[PortFrame]:
        """Yield the telling characters, then pseudo-random ones."""
        for data in frames(self._data_bits):
            yield self._frame(data)

    def open(self) -> None:
        """Open the port."""
        self._port.open()

    def ask(self, data: bytes) -> None:
        """Send a frame."""
        self._port.ask(data, len(data))

    def answer(self) -> bytes:
        """Return what came back."""
        return self._port.answer()

    def close(self) -> None:
        """Close the port."""
        self._port.close()


class ModbusPartner(SerialPartner):
    """The unit is a Modbus device there; the CRC guards question and answer, so all their bits are proven.

    Data is looped back (function 08) where the unit has that; else the register `mode` is read, which carries none.
    """

    def __init__(self, device: ModbusDevice, *, loopback: bool, mode: Register | None) -> None:
        self._device = device
        self._mode = None if loopback else mode
        self._sent = b""
        # Function 08 takes what is left of a frame beside function and sub-function.
        self.longest = pdu.LONGEST_PDU - 3 if self._mode is None else 0
        if self._mode is not None:
            register = self._mode
            self._question = pdu.read_request(register.table, register.address, register.kind.width)
        self.short = next(self.frames())

    def frames(self) -> Iterator[PortFrame]:
        """Yield data to loop back; no data at all where the mode is read."""
        if self._mode is not None:
            return repeat(PortFrame(b"", _READ_BITS))
        source = BitSource(PRBS15)
        data = chain(_LOOPBACK, (source.octets(2) for _ in repeat(None)))
        return (PortFrame(octets, _LOOPBACK_BITS) for octets in data)

    def open(self) -> None:
        """Open the connection or the port."""
        self._device.open()

    def ask(self, data: bytes) -> None:
        """Send the question."""
        self._sent = data
        if self._mode is None:
            self._device.ask_loopback(data)
        else:
            self._device.request(self._question)

    def answer(self) -> bytes:
        """Return what was looped back; nothing for a register that was read."""
        if self._mode is not None:
            self._device.data(self._question, self._device.response())
            return b""
        back = self._device.looped_back()
        if len(back) != len(self._sent):
            words = f"loop-back sent {self._sent.hex(' ')}, {back.hex(' ')} came back"
            raise UnitFault(words, place=self._device.name)
        return back

    def close(self) -> None:
        """Close the connection or the port."""
        self._device.close()


def frames(data_bits: int) -> Iterator[bytes]:
    """Yield the telling characters, then pseudo-random ones (O.150, 2^9-1, first bit first on the line)."""
    yield from _TELLING
    mask, source = (1 << data_bits) - 1, BitSource(PRBS9)
    while True:
        bits = source.bits(data_bits * _LENGTH)
        yield bytes(bits >> (data_bits * place) & mask for place in range(_LENGTH))
