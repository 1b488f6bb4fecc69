"""The communication ports of a unit: pseudo-random frames out and back, until the claim is decided.

How many bits that takes follows from the profile's `bit-error-ratio`; a port far better or far worse than its
claim is soon known. That frames come back bounds the error of a port's clock by half a bit in a character
(1 / (2 n - 1): 4.8 % for 11 bits); where the stand's adapter makes any speed, the error is measured.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager
from functools import partial
from itertools import chain, islice, repeat

from hilseq.analysis.bit_errors import PRBS9, PRBS15, Source
from hilseq.description.modbus_limits import ModbusLimits
from hilseq.description.profile import Port
from hilseq.description.registers import Register
from hilseq.description.stand import PortWiring
from hilseq.errors import NotPerformed, UnitFault, UnitSilent
from hilseq.instruments.modbus import ModbusDevice
from hilseq.instruments.modbus_transaction import FULL_MODBUS
from hilseq.instruments.ports import Port as Line
from hilseq.instruments.ports import open_port
from hilseq.measured import Measured
from hilseq.procedures.ports_clock import clock_error
from hilseq.procedures.ports_tally import Tally

#: Characters that catch what breaks first: constant levels, alternation, single bits, every low code.
_TELLING = (b"\x00" * 8, b"\xff" * 8, b"\x55\xaa" * 8, bytes(1 << bit for bit in range(8)), bytes(range(32)))
#: Data of a Modbus loop-back: the pair of octets of the specification's example, then what breaks first.
_LOOPBACK = (b"\xa5\x37", b"\x00\x00", b"\xff\xff", b"\x55\xaa")
#: Characters of one pseudo-random frame.
_FRAME = 64
#: Modbus RTU, MODBUS over Serial Line V1.02: address, function, sub-function, data, CRC, in octets each way.
_LOOPBACK_OCTETS = 2 * 8
_READ_OCTETS = 8 + 7

#: Exchanges that tell whether a shifted speed still carries frames; how many times their usual duration, which is at
#: least so many s, is waited for one of them in haste.
_PROBES = 4
_LEAST_USUAL = 0.01
_HASTE = 3.0
#: Silence after which half a frame is surely given up by whoever waits for the rest of it, s; t3.5 is far less.
_REST = 0.25

#: Bits that go over the line, and the exchange itself, which returns how many came wrong. Raises UnitFault.
Exchange = tuple[int, Callable[[], int]]


def open_line(
    name: str, port: Port, resource: str, speed: float, quirks: ModbusLimits, *, place: str | None = None
) -> Line | ModbusDevice:
    """Return the stand's side of a port of the unit, to speak with its partner at `speed` (Bd).

    `place` goes into what is held against the unit; without it the check's own place does.
    """
    if port.partner == "echo":
        return open_port(resource, round(speed), port.frame, port.deadline, name=name)
    if port.partner == "modbus tcp":
        return ModbusDevice.over_tcp(
            name,
            resource,
            device=port.device_id,
            deadline=port.deadline,
            owner="unit",
            place=place,
            quirks=quirks,
        )
    return ModbusDevice.over_serial(
        name,
        resource,
        speed=round(speed),
        frame=port.frame,
        device=port.device_id,
        deadline=port.deadline,
        owner="unit",
        place=place,
        quirks=quirks,
    )


class Ports:
    """The ports of one unit, by name.

    `mode` is the register that a Modbus port is asked for where it does not know the loop-back (function 08).
    """

    def __init__(
        self,
        ports: Mapping[str, Port],
        wiring: Mapping[str, PortWiring],
        *,
        loopback: bool = True,
        mode: Register | None = None,
        quirks: ModbusLimits = FULL_MODBUS,
    ) -> None:
        self.names = tuple(ports)
        self._ports = ports
        self._wiring = wiring
        self._loopback = loopback
        self._mode = mode
        self._manners = quirks

    def claim(self, name: str) -> float | None:
        """Bit error ratio that the profile claims of a port, if any."""
        return self._ports[name].bit_error_ratio

    def exchange(self, name: str) -> Iterator[Tally]:
        """Exchange frames at every speed of the port until its claim is decided; one tally per speed.

        Raises StandFault when the stand's side of the port cannot be opened, UnitFault when nothing at all
        comes back.
        """
        port = self._ports[name]
        speeds = port.speeds if port.partner != "modbus tcp" else port.speeds[:1]
        for speed in speeds:
            tally = Tally(speed, port.bit_error_ratio)
            with self._open(name, port, speed) as line:
                for bits, talk in self._exchanges(name, port, line):
                    if not tally.wants_more:
                        break
                    try:
                        tally.add(bits, talk())
                    except UnitFault as fault:
                        tally.lost(bits, str(fault), silent=isinstance(fault, UnitSilent))
            if tally.dead:
                raise UnitFault(
                    f"nothing comes back from {name} at {speed:g} Bd: {tally.first_error}", place=name
                )
            yield tally

    def clock_error(self, name: str) -> Measured:
        """Measure the error of a port's clock at its highest speed, in % (`ports_clock.clock_error`).

        Raises NotPerformed when the stand's adapter makes only some speeds.
        """
        port, accuracy = self._ports[name], self._wiring[name].speed_accuracy
        if accuracy is None:
            raise NotPerformed(f"the adapter of {name} has no `speed-accuracy` in the stand file")
        speed = max(port.speeds)
        usual = max(self._time_of(name, port, speed), _LEAST_USUAL)
        hasty = port.model_copy(update={"deadline": min(port.deadline, _HASTE * usual)})

        def carries(shift: float, *, patient: bool) -> bool:
            try:
                with self._open(name, port if patient else hasty, speed * (1.0 + shift)) as line:
                    return all(talk() == 0 for _, talk in islice(self._exchanges(name, port, line), _PROBES))
            except UnitFault:
                if port.partner != "echo":
                    time.sleep(_REST)
                return False

        return clock_error(carries, character_bits=port.character_bits, accuracy=accuracy, place=name)

    def _time_of(self, name: str, port: Port, speed: float) -> float:
        """Return how long an exchange takes at most, s: beyond some of that, an answer does not come."""
        longest = 0.0
        with self._open(name, port, speed) as line:
            for _, talk in islice(self._exchanges(name, port, line), _PROBES):
                begun = time.monotonic()
                talk()
                longest = max(longest, time.monotonic() - begun)
        return longest

    def _exchanges(self, name: str, port: Port, line: Line | ModbusDevice) -> Iterator[Exchange]:
        """Yield exchanges without end."""
        if isinstance(line, Line):
            return self._echoes(int(port.frame[0]), line)
        if self._loopback or self._mode is None:
            return self._loopbacks(name, line)
        return self._reads(self._mode, line)

    def _open(self, name: str, port: Port, speed: float) -> AbstractContextManager[Line | ModbusDevice]:
        return open_line(name, port, self._wiring[name].resource, speed, self._manners)

    def _echoes(self, data_bits: int, line: Line) -> Iterator[Exchange]:
        """Send frames; an echoed bit has gone over the line twice, so it counts twice."""

        def echo(frame: bytes) -> int:
            back = line.exchange(frame, len(frame))
            if len(back) != len(frame):
                # Which character is lost cannot be told, so each missing or surplus one counts as one error.
                return abs(len(frame) - len(back))
            return _differing(frame, back)

        for frame in frames(data_bits):
            yield 2 * data_bits * len(frame), partial(echo, frame)

    def _loopbacks(self, name: str, line: ModbusDevice) -> Iterator[Exchange]:
        """Loop back data (function 08); the CRC guards question and answer, so all their bits are proven."""

        def loopback(data: bytes) -> int:
            back = line.loopback(data)
            if len(back) != len(data):
                raise UnitFault(f"loop-back sent {data.hex(' ')}, {back.hex(' ')} came back", place=name)
            return _differing(data, back)

        source = Source(PRBS15)
        for data in chain(_LOOPBACK, repeat(b"")):
            yield 8 * _LOOPBACK_OCTETS, partial(loopback, data or source.octets(2))

    def _reads(self, mode: Register, line: ModbusDevice) -> Iterator[Exchange]:
        """Ask for the mode, of a unit that has no loop-back; again the CRC guards every bit."""

        def read() -> int:
            line.read(mode)
            return 0

        return repeat((8 * _READ_OCTETS, read))


def _differing(sent: bytes, back: bytes) -> int:
    return (int.from_bytes(sent, "big") ^ int.from_bytes(back, "big")).bit_count()


def frames(data_bits: int) -> Iterator[bytes]:
    """Yield the telling characters, then pseudo-random ones (O.150, 2^9-1, first bit first on the line)."""
    mask = (1 << data_bits) - 1
    for telling in _TELLING:
        yield bytes(octet & mask for octet in telling)
    source = Source(PRBS9)
    while True:
        bits = source.bits(data_bits * _FRAME)
        yield bytes(bits >> (data_bits * place) & mask for place in range(_FRAME))
