"""Waits that end at an instant of time.monotonic: a stream socket, and what is tried until it succeeds.

Every wait of the socket is a select with a time-out, after a moment of looking where that pays (`BusyPoll`). Knows no
protocol.
"""

from __future__ import annotations

import select
import socket
import time
from collections.abc import Callable
from typing import Self, TypeVar

from hilseq.clock import BusyPoll

#: Longest single wait, s: select takes no infinity.
_LONGEST_WAIT = 3600.0

Received = TypeVar("Received", bytes, memoryview)


def host_and_port(endpoint: str) -> tuple[str, int]:
    """Return host and port of an `Endpoint`, HOST:PORT; an IPv6 address stands in brackets there, not in the result."""
    host, _, port = endpoint.rpartition(":")
    return host.strip("[]"), int(port)


class DeadlineSocket:
    """A connected stream socket, TCP without Nagle's delay. Raises TimeoutError at an instant that has passed."""

    def __init__(self, connected: socket.socket) -> None:
        if connected.family in (socket.AF_INET, socket.AF_INET6):
            connected.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        connected.setblocking(False)
        self.wrapped = connected
        self._awake = BusyPoll()

    @classmethod
    def connect(cls, endpoint: str, deadline: float) -> Self:
        """Connect to HOST:PORT within `deadline` seconds. Raises OSError."""
        return cls(socket.create_connection(host_and_port(endpoint), timeout=deadline))

    def send_all(self, data: bytes, until: float) -> None:
        """Send all of `data`."""
        while data:
            try:
                data = data[self.wrapped.send(data) :]
            except BlockingIOError:
                if not select.select([], [self.wrapped], [], _left(until))[1]:
                    raise TimeoutError("it was not taken before the deadline") from None

    def receive(self, most: int, until: float) -> bytes:
        """Return what comes next, at least one byte. Raises ConnectionResetError when the far end has closed."""
        data = self._awake.receive(self.wrapped.recv, most)
        if data is None:
            self.wait(until)
            data = self.wrapped.recv(most)
        return self.received(data)

    def wait(self, until: float) -> None:
        """Wait until there is something to receive, if only that the far end has closed."""
        if not select.select([self.wrapped], [], [], _left(until))[0]:
            raise TimeoutError("nothing came before the deadline")

    def pending(self, most: int) -> bytes:
        """Return what has come already, b"" for nothing. Raises ConnectionResetError as `receive` does."""
        try:
            return self.received(self.wrapped.recv(most))
        except BlockingIOError:
            return b""

    @staticmethod
    def received(data: Received) -> Received:
        """Return what a call of the socket returned, unless that says the far end has closed."""
        if not data:
            raise ConnectionResetError("the connection was closed by the far end")
        return data

    def close(self) -> None:
        """Close it for good."""
        self.wrapped.close()


def _left(until: float) -> float:
    return min(max(0.0, until - time.monotonic()), _LONGEST_WAIT)


Trouble = TypeVar("Trouble")


def try_until(
    attempt: Callable[[], Trouble | None],
    *,
    until: float,
    pause: float,
    wait: Callable[[float], None] = time.sleep,
) -> Trouble | None:
    """Try until there is no trouble any more, with a `pause` (s) between two attempts; return the last trouble.

    The first attempt is made whatever the time; none begins after `until`. `attempt` raises what is not to be
    tried again.
    """
    while (trouble := attempt()) is not None and time.monotonic() + pause <= until:
        wait(pause)
    return trouble
