"""Who is at a port of the unit, seen from the stand: an echo, or a Modbus device over serial or network.

Knows which frames prove something, and how many bits. Must not know how many are enough.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain, repeat

from hilseq.analysis.bit_errors import PRBS9, PRBS15, BitSource
from hilseq.description.registers import Register
from hilseq.errors import UnitFault
from hilseq.instruments import pdu
from hilseq.instruments.modbus import ModbusDevice
from hilseq.instruments.ports import OpenPort
from hilseq.instruments.protocols import PortFrame, SerialPartner

#: Characters that catch what breaks first: constant levels, alternation, single bits, every low code.
_TELLING = (b"\x00" * 8, b"\xff" * 8, b"\x55\xaa" * 8, bytes(1 << bit for bit in range(8)), bytes(range(32)))
#: Characters of one pseudo-random frame.
_LENGTH = 64
#: A few characters of many patterns, for traffic beside other things.
SHORT_FRAME = b"\x55\xaa\x0f\xf0\x00\xff\xa5\x5a"
#: Data of a Modbus loop-back: the pair of octets of the specification's example, then what breaks first.
_LOOPBACK = (b"\xa5\x37", b"\x00\x00", b"\xff\xff", b"\x55\xaa")
#: Modbus RTU, MODBUS over Serial Line V1.02: address, function, sub-function, data, CRC, in octets each way.
_LOOPBACK_BITS = 8 * 2 * 8
_READ_BITS = 8 * (8 + 7)


class EchoPartner(SerialPartner):
    """The unit sends back what it gets: an echoed bit has gone over the line twice, so it counts twice."""

    def __init__(self, port: OpenPort, data_bits: int) -> None:
        self._port = port
        self._data_bits = data_bits
        self.short = PortFrame(SHORT_FRAME, 2 * data_bits * len(SHORT_FRAME))

    def frames(self) -> Iterator[PortFrame]:
        """Yield the telling characters, then pseudo-random ones."""
        for data in frames(self._data_bits):
            yield PortFrame(data, 2 * self._data_bits * len(data))

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
    mask = (1 << data_bits) - 1
    for telling in _TELLING:
        yield bytes(octet & mask for octet in telling)
    source = BitSource(PRBS9)
    while True:
        bits = source.bits(data_bits * _LENGTH)
        yield bytes(bits >> (data_bits * place) & mask for place in range(_LENGTH))
