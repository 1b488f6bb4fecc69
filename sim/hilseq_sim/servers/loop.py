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

from hilseq.clock import BusyPoll

Callback = Callable[[], None]
_NOBODY: tuple[None, None] = (None, None)


class Loop:
    """Calls whoever waits for a file or for a moment, until it is stopped."""

    def __init__(self) -> None:
        self._poll = select.poll()
        self._watched: dict[int, tuple[Callback | None, Callback | None]] = {}
        self._after_others: set[int] = set()
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
        after_others: bool = False,
    ) -> None:
        """Call back when `file` can be read or written, instead of what was watched on it before.

        With `after_others` whatever came before on any other file is served first.
        """
        events = (select.POLLIN if on_readable else 0) | (select.POLLOUT if on_writable else 0)
        self._watched[file] = (on_readable, on_writable)
        if after_others:
            self._after_others.add(file)
        self._poll.register(file, events)

    def forget(self, file: int) -> None:
        """Stop watching `file`; no matter whether it was watched."""
        if self._watched.pop(file, None) is not None:
            self._after_others.discard(file)
            self._poll.unregister(file)

    def after(self, seconds: float, callback: Callback) -> None:
        """Call back once, `seconds` of wall time from now."""
        heapq.heappush(self._timers, (time.monotonic() + seconds, next(self._order), callback))

    def run(self) -> None:
        """Serve until `stop`."""
        awake = BusyPoll()
        while not self._stopped:
            self._serve_all(self._ready(awake))
            while self._timers and self._timers[0][0] <= time.monotonic():
                heapq.heappop(self._timers)[2]()
        self.close()

    def close(self) -> None:
        """Give back what it is stopped with; `run` does so at its end."""
        self._bell.close()
        self._ear.close()

    def _ready(self, awake: BusyPoll) -> list[tuple[int, int]]:
        """Wait for a file or the next timer, looking awake where that pays; return files and what they can."""
        poll = self._poll.poll
        until = awake.until()
        if not until:
            return poll(self._longest_wait())
        while not (found := poll(0)):
            if time.monotonic() >= until:
                awake.in_vain()
                return poll(self._longest_wait())
        awake.found()
        return found

    def _serve_all(self, found: list[tuple[int, int]]) -> None:
        held = []
        for file, events in found:
            if file in self._after_others:
                held.append((file, events))
            else:
                self._serve(file, events)
        if held:
            # A poll is no instant: what came before may show only now.
            for file, events in self._poll.poll(0):
                if file not in self._after_others:
                    self._serve(file, events)
            for file, events in held:
                self._serve(file, events)

    def _serve(self, file: int, events: int) -> None:
        # Whoever was served before may have closed it.
        on_readable, on_writable = self._watched.get(file, _NOBODY)
        # A line that hung up, or has an error, is ready for both: the call will say so.
        if on_writable is not None and events & ~select.POLLIN:
            on_writable()
        if on_readable is not None and events & ~select.POLLOUT:
            on_readable()

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
