"""A climate chamber on a CAN bus, reached through a serial adapter with python-can (`slcan`).

One frame asks, one answers: number of the question, what is asked, index of the value, and a float.
"""

from __future__ import annotations

import math
import struct
import threading
import time
from collections.abc import Collection, Iterable, Mapping
from contextlib import suppress
from typing import Any

from pydantic import Field

from hilseq import (
    Channels,
    ChannelsDriver,
    DriverAddress,
    Identification,
    InstrumentError,
    InstrumentTimeout,
    InvalidResponse,
    Io,
    Signal,
    StandFault,
    Text,
)

FRAME = struct.Struct(">BBBxf")
READ, WRITE, WHO = 1, 2, 3
#: Identifiers of the frames to and from a node.
TO_NODE, FROM_NODE = 0x600, 0x580
#: A float32 holds a value to this share.
_FLOAT32 = 2.0**-23


class ChamberIo(Io):
    """One node of a CAN bus."""

    channel: Text = Field(
        description="serial port of the adapter, or socket://HOST:PORT of one on the network"
    )
    node: int = Field(ge=1, le=127, description="node number")

    def addresses(self) -> tuple[DriverAddress, ...]:
        """Return the adapter, and the node behind it."""
        return (DriverAddress("channel", self.channel.removeprefix("socket://"), f"node {self.node}"),)


class ChamberSignal(Signal):
    """One value of the node."""

    index: int = Field(ge=0, le=255, description="index of the value")

    @property
    def writable(self) -> bool:
        """Return whether it may be written: the node refuses what may not."""
        return True


class Chamber(Channels):
    """The values of one node."""

    def __init__(self, name: str, io: ChamberIo, signals: Mapping[str, ChamberSignal]) -> None:
        self.name = f"io {name}"
        self.where = f"{io.channel}, node {io.node}"
        self.deadline = io.deadline
        self._channel = io.channel
        self._node = io.node
        self._index = {signal: described.index for signal, described in signals.items()}
        self._held: dict[str, float] = {}
        self._lock = threading.RLock()
        self._bus: Any = None
        self._number = 0

    def identify(self) -> Identification:
        """Ask for the type number of the node; it says nothing else."""
        return Identification("", f"{self._exchange(WHO, 0):.0f}", "", "")

    def snapshot(self, names: Iterable[str] | None = None) -> dict[str, float]:
        """Read one value after the other."""
        wanted = tuple(self._index if names is None else names)
        return {name: self._exchange(READ, self._index[name]) for name in wanted}

    def write_many(self, values: Mapping[str, float]) -> None:
        """Write all, then read back."""
        for name, value in values.items():
            self._exchange(WRITE, self._index[name], value)
        for name in self._differing(values):
            raise StandFault(
                f"{self.name} ({self.where}) does not hold {values[name]:g} at {name}", place=self.name
            )
        self._held.update(values)

    def forgotten(self, names: Collection[str]) -> list[str]:
        """Return which values no longer hold what was written."""
        lost = self._differing({name: self._held[name] for name in names if name in self._held})
        return [f"{name} was written as {self._held.pop(name):g} and reads otherwise" for name in lost]

    def close(self) -> None:
        """Give up the adapter."""
        with self._lock:
            bus, self._bus = self._bus, None
            if bus is not None:
                with suppress(Exception):  # whatever it is, it is over
                    bus.shutdown()

    def _differing(self, held: Mapping[str, float]) -> list[str]:
        seen = self.snapshot(tuple(held)) if held else {}
        return [n for n, value in held.items() if not math.isclose(seen[n], value, rel_tol=_FLOAT32)]

    def _exchange(self, what: int, index: int, value: float = 0.0) -> float:
        import can

        with self._lock:
            until = time.monotonic() + self.deadline
            self._number = (self._number + 1) % 256
            try:
                if self._bus is None:
                    self._bus = can.Bus(interface="slcan", channel=self._channel, sleep_after_open=0)
                request = FRAME.pack(self._number, what, index, value)
                self._bus.send(
                    can.Message(arbitration_id=TO_NODE + self._node, data=request, is_extended_id=False),
                    timeout=self.deadline,
                )
                status, answer = self._received(until, index)
            except (can.CanError, OSError) as error:  # OSError: time-outs, too
                self.close()
                words = f"{self.name} ({self.where}) did not answer within {self.deadline:g} s: {error}"
                raise InstrumentTimeout(words, place=self.name) from error
            except (ValueError, IndexError, struct.error) as error:
                self.close()
                words = f"{self.name} ({self.where}) answered with invalid data: {error}"
                raise InvalidResponse(words, place=self.name) from error
        if status:
            words = f"{self.name} ({self.where}) refused index {index}"
            raise InstrumentError(words, number=status, text=f"status {status}", place=self.name)
        return answer

    def _received(self, until: float, index: int) -> tuple[int, float]:
        """Return status and value; frames of others, and answers to earlier questions, are passed over."""
        while (left := until - time.monotonic()) > 0:
            message = self._bus.recv(timeout=left)
            if message is None or message.arbitration_id != FROM_NODE + self._node:
                continue
            number, status, answered, value = FRAME.unpack(bytes(message.data))
            if number != self._number:
                continue
            if answered != index or not math.isfinite(value):
                raise ValueError(f"{bytes(message.data).hex(' ')} answers another question")
            return status, value
        raise TimeoutError("the deadline has passed")


class ChamberDriver(ChannelsDriver):
    """Entry point `can-chamber` of the group `hilseq.channels`."""

    description = ChamberIo
    signal = ChamberSignal

    def open(self, name: str, io: ChamberIo, signals: Mapping[str, ChamberSignal]) -> Channels:
        """Return the values of one node."""
        return Chamber(name, io, signals)
