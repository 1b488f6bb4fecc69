"""A supply that speaks in blocks of eight bytes: start, number, operation or status, a float, a checksum.

An answer carries the number of its question, so that a late one is known for what it is.
"""

from __future__ import annotations

import math
import socket
import struct
import threading
import time
from collections.abc import Mapping
from enum import IntEnum

from pydantic import Field

from hilseq import (
    DriverAddress,
    Endpoint,
    Identification,
    InstrumentError,
    InstrumentTimeout,
    InvalidResponse,
    Supply,
    SupplyDriver,
    SupplyOutput,
    SupplySetting,
    host_and_port,
)

BLOCK = struct.Struct(">BBBfB")
QUESTION, ANSWER = 0x5A, 0xA5


class Operation(IntEnum):
    """What is asked for; 0 in an answer says that all is well."""

    SET_VOLTAGE = 1
    SET_CURRENT = 2
    SWITCH = 3
    READ_VOLTAGE_SETTING = 4
    READ_CURRENT_SETTING = 5
    READ_SWITCH = 6
    MEASURE_VOLTAGE = 7
    MEASURE_CURRENT = 8
    SERIAL = 9


_SETTINGS = {
    SupplySetting.VOLTAGE: (Operation.SET_VOLTAGE, Operation.READ_VOLTAGE_SETTING),
    SupplySetting.CURRENT_LIMIT: (Operation.SET_CURRENT, Operation.READ_CURRENT_SETTING),
}


def block(start: int, number: int, what: int, value: float) -> bytes:
    """Return a block with its checksum: the sum of the other bytes, modulo 256."""
    body = BLOCK.pack(start, number, what, value, 0)[:-1]
    return body + bytes([sum(body) % 256])


class BlockSupply(Supply):
    """A supply that speaks in blocks over TCP."""

    address: Endpoint = Field(description="HOST:PORT")

    def addresses(self) -> tuple[DriverAddress, ...]:
        """Return its address."""
        return (DriverAddress("address", self.address),)


class BlockOutput(SupplyOutput):
    """Its only output."""

    def __init__(self, name: str, described: BlockSupply) -> None:
        self.name = f"supply {name}"
        self.where = described.address
        self._deadline = described.deadline
        self._address = host_and_port(described.address)
        self._lock = threading.RLock()
        self._socket: socket.socket | None = None
        self._number = 0

    def identify(self) -> Identification:
        """Ask for the serial number; maker and model it does not say."""
        return Identification("", "", f"{self._exchange(Operation.SERIAL):.0f}", "")

    def program(self, setting: SupplySetting, value: float) -> None:
        """Program voltage or current limit."""
        self._exchange(_SETTINGS[setting][0], value)

    def programmed(self, setting: SupplySetting) -> float | None:
        """Ask for a setting."""
        return self._exchange(_SETTINGS[setting][1])

    def switch(self, *, on: bool) -> None:
        """Switch the output."""
        self._exchange(Operation.SWITCH, float(on))

    def is_on(self) -> bool:
        """Ask for the state of the output."""
        return self._exchange(Operation.READ_SWITCH) != 0.0

    def measure(self) -> tuple[float, float]:
        """Measure voltage, then current."""
        return self._exchange(Operation.MEASURE_VOLTAGE), self._exchange(Operation.MEASURE_CURRENT)

    def close(self) -> None:
        """Close the connection."""
        with self._lock:
            connection, self._socket = self._socket, None
            if connection is not None:
                connection.close()

    def _exchange(self, operation: Operation, value: float = 0.0) -> float:
        what = f"{self.name} ({self.where})"
        with self._lock:
            until = time.monotonic() + self._deadline
            self._number = (self._number + 1) % 256
            try:
                connection = self._connected()
                connection.sendall(block(QUESTION, self._number, operation, value))
                start, number, status, answer, _ = self._received(connection, until)
            except OSError as error:  # time-outs, refusals and lost connections
                self.close()
                words = f"{what} did not answer {operation.name} within {self._deadline:g} s: {error}"
                raise InstrumentTimeout(words, place=self.name) from error
            except ValueError as error:
                self.close()
                raise InvalidResponse(
                    f"{what} answered {operation.name} with invalid data: {error}", place=self.name
                ) from error
        if (start, number) != (ANSWER, self._number) or not math.isfinite(answer):
            self.close()
            raise InvalidResponse(f"{what} answered another question than {operation.name}", place=self.name)
        if status:
            raise InstrumentError(
                f"{what} refused {operation.name}", number=status, text=f"status {status}", place=self.name
            )
        return float(answer)

    def _connected(self) -> socket.socket:
        if self._socket is None:
            self._socket = socket.create_connection(self._address, timeout=self._deadline)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return self._socket

    @staticmethod
    def _received(connection: socket.socket, until: float) -> tuple[int, int, int, float, int]:
        data = b""
        while len(data) < BLOCK.size:
            left = until - time.monotonic()
            if left <= 0:
                raise TimeoutError("the deadline has passed")
            connection.settimeout(left)
            piece = connection.recv(BLOCK.size - len(data))
            if not piece:
                raise ConnectionResetError("the connection was closed")
            data += piece
        if sum(data[:-1]) % 256 != data[-1]:
            raise ValueError(f"the checksum of {data.hex(' ')} is wrong")
        found: tuple[int, int, int, float, int] = BLOCK.unpack(data)
        return found


class BlockSupplies(SupplyDriver):
    """Entry point `blocks` of the group `hilseq.supplies`."""

    description = BlockSupply

    def open(self, supplies: Mapping[str, BlockSupply]) -> Mapping[str, SupplyOutput]:
        """Return each supply; none shares its connection."""
        return {name: BlockOutput(name, described) for name, described in supplies.items()}
