"""A communication port of the unit, as the stand reaches it: bytes there, bytes back.

Knows that a port that cannot be opened, or a way there that is lost, is the stand's fault, and that silence
on an open port is the unit's. Must not know what a right answer is: the caller compares.
"""

from __future__ import annotations

import time
from types import TracebackType
from typing import NoReturn, Self

from hilseq.instruments.modbus import ModbusDevice
from hilseq.instruments.translate import Exchange, reraise
from hilseq.instruments.transport import Transport, answer_time, drain_input, serial_transport

#: Shortest time without an answer before a port counts as quiet again, seconds.
_QUIET = 0.02
#: Silence after which half a frame is surely given up by whoever waits for the rest of it, s; t3.5 is far less.
_REST = 0.25


def let_line_rest() -> None:
    """Say nothing for so long, by the wall clock, that half a frame is given up by whoever waits for the rest."""
    time.sleep(_REST)


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
            owner="unit",
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
        return answer_time(self.transport, count, 0)

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
