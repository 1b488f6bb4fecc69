"""The loop: one thread, one selector, files watched and timers kept.

Not asyncio: a soak of 72 h at 1 Hz costs a million exchanges, and every microsecond of scheduling around a
request is a second of the test engineer's time.
"""

from __future__ import annotations

import contextlib
import heapq
import itertools
import selectors
import socket
import time
from collections.abc import Callable

from hilseq.clock import Awake

Callback = Callable[[], None]


class Loop:
    """Calls whoever waits for a file or for a moment, until it is stopped."""

    def __init__(self) -> None:
        self._selector = selectors.DefaultSelector()
        self._timers: list[tuple[float, int, Callback]] = []
        self._order = itertools.count()
        self._stopped = False
        self._bell, self._ear = socket.socketpair()
        self._bell.setblocking(False)
        self._ear.setblocking(False)
        self.watch(self._ear.fileno(), self._hear)

    def watch(
        self,
        file: int,
        on_readable: Callback | None,
        on_writable: Callback | None = None,
        *,
        new: bool = True,
    ) -> None:
        """Call back when `file` can be read or written; `new` is False to change an earlier watch."""
        events = (selectors.EVENT_READ if on_readable else 0) | (selectors.EVENT_WRITE if on_writable else 0)
        (self._selector.register if new else self._selector.modify)(file, events, (on_readable, on_writable))

    def forget(self, file: int) -> None:
        """Stop watching `file`; no matter whether it was watched."""
        with contextlib.suppress(KeyError, ValueError):
            self._selector.unregister(file)

    def after(self, seconds: float, callback: Callback) -> None:
        """Call back once, `seconds` of wall time from now."""
        heapq.heappush(self._timers, (time.monotonic() + seconds, next(self._order), callback))

    def run(self) -> None:
        """Serve until `stop`, then close the selector."""
        select, awake = self._selector.select, Awake()
        writing, reading = selectors.EVENT_WRITE, selectors.EVENT_READ
        while not self._stopped:
            timeout = max(0.0, self._timers[0][0] - time.monotonic()) if self._timers else None
            until = awake.until()
            found = select(0.0 if until else timeout)
            while until and not found:
                if time.monotonic() >= until:
                    awake.in_vain()
                    until, found = 0.0, select(timeout)
                else:
                    found = select(0.0)
            if until:
                awake.found()
            for key, events in found:
                on_readable, on_writable = key.data
                if events & writing and on_writable is not None:
                    on_writable()
                if events & reading and on_readable is not None:
                    on_readable()
            while self._timers and self._timers[0][0] <= time.monotonic():
                heapq.heappop(self._timers)[2]()
        self._selector.close()
        self._bell.close()
        self._ear.close()

    def stop(self) -> None:
        """End `run` soon; may be called from a signal handler or another thread."""
        self._stopped = True
        with contextlib.suppress(OSError):
            self._bell.send(b"!")

    def _hear(self) -> None:
        with contextlib.suppress(BlockingIOError):
            self._ear.recv(64)
