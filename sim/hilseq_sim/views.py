"""What the servers may ask of the world: the seam between protocols and physics.

`world/` implements these, `servers/` use them; neither imports the other. What both compute alike is here too.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from hilseq.description.registers import ModbusLimits, RegisterTable


def _table() -> tuple[int, ...]:
    entries = []
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
        entries.append(crc)
    return tuple(entries)


_CRC = _table()


def crc16(data: bytes) -> int:
    """Return the CRC-16/MODBUS of a frame or a memory (MODBUS over Serial Line V1.02, 2.5.1.2 and 6.2.2).

    In a frame it is sent low byte first.
    """
    crc = 0xFFFF
    for byte in data:
        crc = crc >> 8 ^ _CRC[(crc ^ byte) & 0xFF]
    return crc


class ModbusRefusal(Exception):  # noqa: N818 - the specification calls it an exception response
    """The device answers with a Modbus exception response; `code` as in the specification (1 to 11)."""

    def __init__(self, code: int) -> None:
        super().__init__(f"Modbus exception {code:02X}")
        self.code = code


@dataclass(frozen=True, slots=True)
class Trouble:
    """How a connection misbehaves just now. The default is a healthy one.

    silent: requests are swallowed. garbage: answers are random bytes. late: answers come this many
    seconds of wall time late. half_open: the connection is dropped without a word after a request and new ones
    are accepted but never answered. wrong_transaction: Modbus TCP answers carry another transaction id.
    refused: the listener is closed. loses, misnumbers: the share of requests whose answer does not come, or carries
    another transaction id, at random.

    For Modbus alone: busy: from one question in fifty on the device says for this many seconds of wall time that
    it is busy (exception 06), and does nothing it is commanded. twice: every answer comes once more, behind as many
    later ones as twice_behind says. closes: the connection is closed behind each answer.
    """

    silent: bool = False
    garbage: bool = False
    late: float = 0.0
    half_open: bool = False
    wrong_transaction: bool = False
    refused: bool = False
    loses: float = 0.0
    misnumbers: float = 0.0
    busy: float = 0.0
    twice: bool = False
    twice_behind: int = 0
    closes: bool = False


class RecorderView(Protocol):
    """The waveform memory of a supply; `interval` in s, `points` readings in a record."""

    interval: float
    points: int

    def arm(self) -> None:
        """Wait for the output to be switched on."""
        ...

    def record(self) -> list[float] | None:
        """The currents, A; None while the record is not whole."""
        ...


class SupplyView(Protocol):
    """A programmable supply, as its front panel would show it. Volts and amperes."""

    @property
    def identity(self) -> tuple[str, str, str, str]: ...

    voltage_limits: tuple[float, float]
    current_limits: tuple[float, float]

    set_voltage: float
    set_current: float
    overvoltage: float
    overcurrent_protection: bool
    output: bool

    @property
    def recorder(self) -> RecorderView: ...
    @property
    def overvoltage_tripped(self) -> bool: ...
    @property
    def overcurrent_tripped(self) -> bool: ...
    @property
    def constant_current(self) -> bool: ...
    def clear_protection(self) -> None: ...
    def measure_voltage(self) -> float: ...
    def measure_current(self) -> float: ...
    def inrush(self) -> tuple[float, float]:
        """Peak current (A) and charge (As) since the output was last switched on."""
        ...


class ModbusView(Protocol):
    """A Modbus device: the I/O simulator, or a unit's own server."""

    device: int
    #: What it takes less than the specification; None when nothing.
    quirks: ModbusLimits | None

    def answering(self) -> bool:
        """Return whether the device answers at all (a unit without power does not)."""
        ...

    def read(self, table: RegisterTable, address: int, count: int) -> list[int]:
        """Raw bits (0 or 1) or 16-bit words. Raises ModbusRefusal."""
        ...

    def write(self, table: RegisterTable, address: int, values: list[int]) -> None:
        """Write raw bits or words. Raises ModbusRefusal."""
        ...

    def identification(self) -> Mapping[int, bytes] | None:
        """Objects of function 43/14, or None when the device lacks the function."""
        ...

    def loopback(self) -> bool:
        """Return whether function 08/0000 is answered."""
        ...


class PortView(Protocol):
    """One port of a unit, seen from the far end of its cable.

    An `echo` port needs `receive` alone. A `modbus rtu` port needs the server to do the framing: pass what
    the stand sent through `corrupt` (that is what the unit hears), answer the frame from `modbus`, and pass
    the answer through `corrupt` again. A `modbus tcp` port is served from `modbus` like a link.
    """

    partner: str
    #: Device behind a `modbus rtu` or `modbus tcp` port; None for `echo`.
    modbus: ModbusView | None

    def receive(self, data: bytes, speed: int) -> bytes:
        """Bytes the unit sends back for the bytes that came in at `speed` Bd; empty unless it echoes."""
        ...

    def corrupt(self, data: bytes, speed: int) -> bytes:
        """Bytes that arrive at one end when `data` is sent at the other at `speed` Bd.

        Empty when the port is dead, the unit has no power, or a wrong speed leaves nothing to hear.
        """
        ...


class WorldView(Protocol):
    """The whole simulated stand."""

    @property
    def time(self) -> float: ...
    @property
    def date(self) -> datetime:
        """Aware, UTC."""
        ...

    def advance(self, seconds: float) -> None: ...
    def advance_to(self, instant: float) -> None:
        """Advance until an instant of `time`."""
        ...

    @property
    def supplies(self) -> Mapping[str, SupplyView]: ...
    @property
    def io(self) -> Mapping[str, ModbusView]: ...
    @property
    def links(self) -> Mapping[str, ModbusView]:
        """By slot."""
        ...

    @property
    def ports(self) -> Mapping[tuple[str, str], PortView]:
        """By slot and port name."""
        ...

    def trouble(self, endpoint: str) -> Trouble:
        """State of the connection `supply main`, `io rack`, `link A` or `port A/port 1`."""
        ...

    def turn_switch(self, slot: str, position: str) -> None:
        """Turn the mode switch of a slot by hand, as an operator would. Raises KeyError."""
        ...
