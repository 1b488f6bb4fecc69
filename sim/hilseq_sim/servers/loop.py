"""The loop: one thread, one poll, files watched and timers kept.

Not asyncio, nor the selectors of the library: a soak of 72 h at 1 Hz costs a million exchanges, and every
microsecond around a request is a second of the test engineer's time.
"""

from __future__ import annotations

import contextlib
import heapq
import itertools
import math
import select
import socket
import time
from collections.abc import Callable

from hilseq.clock import Awake

Callback = Callable[[], None]
_NOBODY: tuple[None, None] = (None, None)


class Loop:
    """Calls whoever waits for a file or for a moment, until it is stopped."""

    def __init__(self) -> None:
        self._poll = select.poll()
        self._watched: dict[int, tuple[Callback | None, Callback | None]] = {}
        self._timers: list[tuple[float, int, Callback]] = []
        self._order = itertools.count()
        self._stopped = False
        self._bell, self._ear = socket.socketpair()
        self._bell.setblocking(False)
        self._ear.setblocking(False)
        self.watch(self._ear.fileno(), self._hear)

    def watch(self, file: int, on_readable: Callback | None, on_writable: Callback | None = None) -> None:
        """Call back when `file` can be read or written, instead of what was watched on it before."""
        events = (select.POLLIN if on_readable else 0) | (select.POLLOUT if on_writable else 0)
        self._watched[file] = (on_readable, on_writable)
        self._poll.register(file, events)

    def forget(self, file: int) -> None:
        """Stop watching `file`; no matter whether it was watched."""
        if self._watched.pop(file, None) is not None:
            self._poll.unregister(file)

    def after(self, seconds: float, callback: Callback) -> None:
        """Call back once, `seconds` of wall time from now."""
        heapq.heappush(self._timers, (time.monotonic() + seconds, next(self._order), callback))

    def run(self) -> None:
        """Serve until `stop`."""
        poll, awake, watched = self._poll.poll, Awake(), self._watched
        while not self._stopped:
            until = awake.until()
            found = poll(0 if until else self._longest_wait())
            while until and not found:
                if time.monotonic() >= until:
                    awake.in_vain()
                    until, found = 0.0, poll(self._longest_wait())
                else:
                    found = poll(0)
            if until:
                awake.found()
            for file, events in found:
                # Whoever was served before may have closed it.
                on_readable, on_writable = watched.get(file, _NOBODY)
                # A line that hung up, or has an error, is ready for both: the call will say so.
                if on_writable is not None and events & ~select.POLLIN:
                    on_writable()
                if on_readable is not None and events & ~select.POLLOUT:
                    on_readable()
            while self._timers and self._timers[0][0] <= time.monotonic():
                heapq.heappop(self._timers)[2]()
        self._bell.close()
        self._ear.close()

    def _longest_wait(self) -> int | None:
        """Return the time to the next timer, ms rounded up; None when there is none."""
        if not self._timers:
            return None
        return max(0, math.ceil(1000 * (self._timers[0][0] - time.monotonic())))

    def stop(self) -> None:
        """End `run` soon; may be called from a signal handler or another thread."""
        self._stopped = True
        with contextlib.suppress(OSError):
            self._bell.send(b"!")

    def _hear(self) -> None:
        with contextlib.suppress(BlockingIOError):
            self._ear.recv(64)
