"""The run's side of the guard: start it, beat, disarm; and notice when the guard itself dies or hangs."""

from __future__ import annotations

import contextlib
import os
import pickle
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

from hilseq.clock import nothing
from hilseq.description.stand import Stand
from hilseq.errors import StandFault
from hilseq.guard.protocol import (
    BEAT,
    DISARM,
    READY,
    START_DEADLINE,
    TAKE_OVER,
    Beats,
    stuck_after,
)
from hilseq.lease.latch import Latch
from hilseq.lease.process import Process
from hilseq.lease.signs_of_life import SignsOfLife


class Guard:
    """A running guard. `heartbeat` is called by the run's main thread wherever it may wait.

    It inherits `handles`, by which the stand is held, and tells by `latch` whether a person has made it safe.
    `stop_requested` is asked all the while: once it says True the run is interrupted, as by Ctrl-C.
    `switch_off` sends what switches the supplies off, from a thread of its own: the run is interrupted first, and
    verifies it in its own time.
    """

    def __init__(
        self,
        stand: Stand,
        folder: Path | None,
        latch: Latch,
        *,
        handles: Sequence[int] = (),
        stop_requested: Callable[[], bool] = lambda: False,
        switch_off: Callable[[], None] = nothing,
    ) -> None:
        self._switch_off = switch_off
        self._stop_requested = stop_requested
        self._stopped = False
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-m", "hilseq.guard.watch"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            start_new_session=True,
            pass_fds=tuple(handles),
        )
        orders = {
            "stand": stand,
            "folder": "" if folder is None else str(folder.absolute()),
            "run": Process.of(os.getpid()),
            "latch": latch,
        }
        packed = pickle.dumps(orders)
        self._write(len(packed).to_bytes(8, "big") + packed)
        self._watching = False
        self._guard_lives = SignsOfLife(self._process.pid)
        self.lost = False
        self._beats = Beats(
            partial(self._write, BEAT),
            self._hears_guard,
            stuck_after=stuck_after(stand),
            lost=self._lose,
            look=self._look,
        )
        self.heartbeat = self._beats.heartbeat

    @property
    def pid(self) -> int:
        """Number of its process."""
        return self._process.pid

    def _write(self, data: bytes) -> None:
        pipe = self._process.stdin
        assert pipe is not None
        pipe.write(data)
        pipe.flush()

    def wait_until_watching(self) -> None:
        """Wait for the guard to say it watches. Raises StandFault: without a guard nothing is powered."""
        out = self._process.stdout
        assert out is not None
        said, until = b"", time.monotonic() + START_DEADLINE
        while not said.startswith(READY):
            ready, _, _ = select.select([out], [], [], max(0.0, until - time.monotonic()))
            more = os.read(out.fileno(), len(READY)) if ready else b""
            if not more or self.lost:
                raise StandFault("the guard process did not start; nothing is powered without it")
            said += more
        self._guard_lives.heard()
        self._watching = True
        self.heartbeat()  # to wait for it was no standstill

    def _look(self) -> None:
        if not self._stopped and self._stop_requested():
            self._stopped = True
            self._interrupt()

    def _lose(self) -> None:
        """The guard is gone, or hangs: the main thread makes safe, as it does for Ctrl-C."""
        self.lost = True
        # Otherwise nothing is powered yet, and `wait_until_watching` will say why nothing will be.
        if self._watching:
            self._interrupt()

    def _interrupt(self) -> None:
        os.kill(os.getpid(), signal.SIGTERM)
        self._switch_off()

    def _hears_guard(self) -> bool:
        """Take in what the guard has written; tell whether it lives."""
        if not self._watching:
            return True
        out = self._process.stdout
        if out is not None and select.select([out], [], [], 0)[0] and os.read(out.fileno(), 4096):
            self._guard_lives.heard()
        return not self._guard_lives.has_ceased

    def release(self, *, safe: bool) -> None:
        """Tell the guard to go because the stand is safe, or else to take over.

        Waits until it has gone; a guard that takes over continues by itself.
        """
        self._beats.end()
        with contextlib.suppress(OSError, ValueError):
            self._write(DISARM if safe else TAKE_OVER)
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()
        if self.lost:
            # One that hangs would hold the stand, and switch off under the next run when it continues.
            self._process.kill()
        if not safe:
            return
        try:
            self._process.wait(5)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait(5)
