"""A socket under a Python VISA session that tells when its time is over and when the far end has closed.

Knows sockets and deadlines. Must not know VISA, questions or answers.
"""

from __future__ import annotations

import math
import select
import socket
import time
from typing import Any

from hilseq.clock import BusyPoll

#: Longest answer taken; a supply's are under 100 bytes, and 64 KiB still arrive well within a second.
LONGEST_ANSWER = 65536
#: Longest single wait for a socket, seconds: select takes no infinity.
_LONGEST_WAIT = 3600.0


class WatchedSocket:
    """A socket of a pyvisa-py session, with the ends of the world made visible.

    After `until` (time.monotonic) every call raises TimeoutError, and so does a look by select, which
    pyvisa-py repeats until its own, later, time-out. A close by the peer raises ConnectionResetError.
    """

    def __init__(self, wrapped: socket.socket) -> None:
        self.wrapped = wrapped
        self.wrapped.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.wrapped.setblocking(False)  # every wait is a select with a time-out
        self.until = math.inf
        self.awake = BusyPoll()

    def _remaining(self) -> float:
        remaining = self.until - time.monotonic()
        if remaining < 0:
            raise TimeoutError("the exchange did not end before the deadline")
        return min(remaining, _LONGEST_WAIT)

    def fileno(self) -> int:
        """Return its number, for a select. Raises TimeoutError after the deadline."""
        self._remaining()
        return self.wrapped.fileno()

    def settimeout(self, _: float | None) -> None:
        """Leave the waiting to us."""

    def recv(self, count: int) -> bytes:
        """Return what is there. Raises BlockingIOError, TimeoutError or ConnectionResetError."""
        self._remaining()
        data = self.wrapped.recv(count)
        if not data:
            raise ConnectionResetError("the connection was closed by the instrument")
        return data

    def recv_into(self, buffer: memoryview, count: int) -> int:
        """Wait for bytes and return how many. Raises TimeoutError or ConnectionResetError."""
        if not select.select([self.wrapped], [], [], self._remaining())[0]:
            raise TimeoutError("the answer did not come before the deadline")
        size = self.wrapped.recv_into(buffer, count)
        if count and not size:
            raise ConnectionResetError("the connection was closed by the instrument")
        return size

    def sendall(self, data: bytes) -> None:
        """Send everything. Raises TimeoutError when it is not taken before the deadline."""
        while data:
            remaining = self._remaining()
            try:
                data = data[self.wrapped.send(data) :]
            except BlockingIOError:
                if not select.select([], [self.wrapped], [], remaining)[1]:
                    raise TimeoutError("the command was not taken before the deadline") from None

    def next(self) -> bytes:
        """Return what comes next, in whatever pieces it comes."""
        data = self.awake.receive(self.recv, LONGEST_ANSWER)
        if data is not None:
            return data
        if not select.select([self.wrapped], [], [], self._remaining())[0]:
            raise TimeoutError("the answer did not come before the deadline")
        return self.recv(LONGEST_ANSWER)

    def waiting(self) -> bytes | None:
        """Return what has come unasked, b"" when the peer has closed, None when all is quiet."""
        readable, _, _ = select.select([self.wrapped], [], [], 0)
        return self.wrapped.recv(4096) if readable else None

    def __getattr__(self, name: str) -> Any:
        return getattr(self.wrapped, name)
