"""The way between a driver and its server, on which a test can disturb what comes back."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from types import TracebackType
from typing import Protocol, Self

#: Largest piece passed on at once.
_PIECE = 65536
#: Longest wait for a thread that is told to end, s.
_JOIN = 5.0


class Wire(Protocol):
    """What a test does to the way to an instrument. `heal` ends all of it; a fresh wire is sound."""

    def mute(self) -> None:
        """From now on nothing comes back; what is sent still arrives."""
        ...

    def delay(self, seconds: float) -> None:
        """From now on what comes back comes later by so many seconds."""
        ...

    def garble(self) -> None:
        """From now on what comes back is as long as ever, and makes no sense."""
        ...

    def cut(self) -> None:
        """End every connection there is, as a switch that loses its mains; new ones are accepted."""
        ...

    def heal(self) -> None:
        """Be sound again."""
        ...


class TcpWire:
    """A TCP port of loopback that passes on to another, both ways; a real connection at either end.

    `address` is where the driver connects to. Use it in a `with`, or close it.
    """

    def __init__(self, host: str, port: int) -> None:
        self._target = (host, port)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.host: str = "127.0.0.1"
        self.port: int = self._listener.getsockname()[1]
        self._spoil: Callable[[bytes], bytes] = bytes
        self._delay = 0.0
        self._ends: list[socket.socket] = []
        self._threads: list[threading.Thread] = []
        self._start(self._accept)

    @property
    def address(self) -> str:
        """HOST:PORT of this end."""
        return f"{self.host}:{self.port}"

    def mute(self) -> None:
        """Drop what comes back."""
        self._spoil = lambda _: b""

    def delay(self, seconds: float) -> None:
        """Hold back what comes back."""
        self._delay = seconds

    def garble(self) -> None:
        """Turn every bit of what comes back, but leave the ends of lines."""
        self._spoil = lambda data: bytes(octet if octet in b"\r\n" else octet ^ 0xFF for octet in data)

    def cut(self) -> None:
        """End every connection."""
        ends, self._ends = self._ends, []
        for end in ends:
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()

    def heal(self) -> None:
        """Pass everything on again."""
        self._spoil, self._delay = bytes, 0.0

    def close(self) -> None:
        """End everything, and wait for it."""
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self.cut()
        for thread in self._threads:
            thread.join(_JOIN)

    def _start(self, run: Callable[..., None], *arguments: object) -> None:
        thread = threading.Thread(target=run, args=arguments, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            try:
                far = socket.create_connection(self._target, timeout=_JOIN)
            except OSError:
                near.close()
                continue
            far.settimeout(None)
            for end in (near, far):
                end.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._ends += [near, far]
            self._start(self._forth, near, far)
            self._start(self._back, far, near)

    @staticmethod
    def _forth(near: socket.socket, far: socket.socket) -> None:
        with suppress(OSError):
            while data := near.recv(_PIECE):
                far.sendall(data)
        with suppress(OSError):
            far.shutdown(socket.SHUT_RDWR)

    def _back(self, far: socket.socket, near: socket.socket) -> None:
        with suppress(OSError):
            while data := far.recv(_PIECE):
                time.sleep(self._delay)
                near.sendall(self._spoil(data))
        with suppress(OSError):
            near.shutdown(socket.SHUT_RDWR)

    def __enter__(self) -> Self:
        """Return it; it listens already."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close it."""
        self.close()
