"""A network cable with a hand on it: a TCP proxy that can cut, delay, refuse and garble.

What it does may be bound to what goes over it (`when`), so that a cable is pulled at an event of the visit and not at
an instant of the clock.
"""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Callable
from typing import Self

PIECE = 65536
#: What is done to the bytes of one direction; empty for nothing at all.
Alter = Callable[[bytes], bytes]


class Cable:
    """Leads from a port of its own (`port`) to `target` on this computer."""

    def __init__(self, target: int) -> None:
        self._target = target
        self._reserved = _bound(0)
        self.port: int = self._reserved.getsockname()[1]
        self._listener: socket.socket | None = None
        self._open: set[socket.socket] = set()
        self._lock = threading.Lock()
        #: Pause before each piece is passed on, s.
        self.delay = 0.0
        #: Pause before a connection leads anywhere, s.
        self.accept = 0.0
        self._is_cut = False
        self._alter: Alter | None = None
        self._trigger: tuple[Callable[[bytes], bool], Callable[[], None]] | None = None
        self.mend()

    # -- the hand

    def cut(self, seconds: float | None = None) -> None:
        """Pull it out: nothing passes, and nobody is reported. Plugged in again after `seconds`."""
        self._is_cut = True
        if seconds is not None:
            threading.Timer(seconds, self.mend).start()

    def refuse(self) -> None:
        """Have the far end refuse: connections are reset, new ones refused."""
        listener, self._listener = self._listener, None
        if listener is not None:
            with contextlib.suppress(OSError):
                listener.shutdown(socket.SHUT_RDWR)
            listener.close()
        self._drop()

    def plug_into(self, target: int) -> None:
        """Lead to another port of this computer from now on: what is open ends."""
        self._target = target
        self._drop()

    def garble(self, alter: Alter) -> None:
        """Change the answers."""
        self._alter = alter

    def mend(self) -> None:
        """Be a good cable again; connections that lost something break off."""
        lossy = self._is_cut or self._alter is not None
        self._is_cut, self._alter = False, None
        if lossy:
            self._drop()
        if self._listener is None:
            self._listener = _bound(self.port)
            self._listener.listen(16)
            threading.Thread(target=self._accept, args=(self._listener,), daemon=True).start()

    def when(self, asked: Callable[[bytes], bool], act: Callable[[], None]) -> None:
        """Do `act`, once, when a piece for which `asked` is true goes towards the far end; it does not get there."""
        self._trigger = (asked, act)

    def close(self) -> None:
        """Take it away."""
        self.refuse()
        self._reserved.close()

    def __enter__(self) -> Self:
        """Return the cable."""
        return self

    def __exit__(self, *_: object) -> None:
        """Take it away."""
        self.close()

    # -- the wires

    def _accept(self, listener: socket.socket) -> None:
        while True:
            try:
                near, _ = listener.accept()
            except OSError:
                return
            time.sleep(self.accept)
            try:
                far = socket.create_connection(("127.0.0.1", self._target), timeout=5)
            except OSError:
                near.close()
                continue
            far.settimeout(None)
            with self._lock:
                self._open |= {near, far}
            for source, sink in ((near, far), (far, near)):
                with contextlib.suppress(OSError):  # cut already
                    source.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                outward = source is near
                threading.Thread(target=self._pump, args=(source, sink, outward), daemon=True).start()

    def _pump(self, source: socket.socket, sink: socket.socket, outward: bool) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(PIECE):
                if outward and self._trigger is not None and self._trigger[0](data):
                    (_, act), self._trigger = self._trigger, None
                    act()
                    continue
                if self.delay:
                    time.sleep(self.delay)
                if self._is_cut:
                    continue
                if not outward and self._alter is not None:
                    data = self._alter(data)
                sink.sendall(data)
        for end in (source, sink):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()
            with self._lock:
                self._open.discard(end)

    def _drop(self) -> None:
        with self._lock:
            ends, self._open = self._open, set()
        for end in ends:
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)


def _bound(port: int) -> socket.socket:
    """Return a socket that holds a port. One that only holds it refuses connections, and nobody else gets it."""
    holder = socket.socket()
    holder.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    holder.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEPORT, 1)
    holder.bind(("127.0.0.1", port))
    return holder


def writes_coil(first: int) -> Callable[[bytes], bool]:
    """Return what recognizes a Modbus TCP request that writes coils from `first` on (functions 05 and 15)."""
    return lambda data: len(data) > 9 and data[7] in (5, 15) and int.from_bytes(data[8:10], "big") >= first


def reads(function: int, first: int) -> Callable[[bytes], bool]:
    """Return what recognizes a Modbus TCP request of a function that reads from `first` on."""
    return lambda data: len(data) > 9 and data[7] == function and int.from_bytes(data[8:10], "big") == first


def answers_exception(code: int) -> Alter:
    """Return what turns every Modbus TCP answer into an exception."""
    return lambda data: data[:4] + b"\x00\x03" + data[6:7] + bytes((data[7] | 0x80, code))
