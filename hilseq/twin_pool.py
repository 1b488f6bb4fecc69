"""Starting twins by the hundred: forked from one process of the simulator's, which has imported everything.

Half of a twin's start is importing. A campaign opens a twin_pool; while it is open, twins of this process and of
those forked from it come from there.
"""

from __future__ import annotations

import json
import os
import select
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress

_END_DEADLINE = 5.0
_open: list[socket.socket] = []


@contextmanager
def twin_pool() -> Iterator[None]:
    """Let twins be forked where the system can; elsewhere each is started as ever."""
    try:
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    except (AttributeError, OSError):  # a system without such sockets
        yield
        return
    with theirs:
        process = subprocess.Popen(
            [sys.executable, "-m", "hilseq_sim.twin_pool"], stdin=theirs.fileno(), start_new_session=True
        )
    _open.append(ours)
    try:
        yield
    finally:
        _open.remove(ours)
        ours.close()  # nobody can send any more: it ends
        try:
            process.wait(_END_DEADLINE)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


class Forked:
    """A twin's process with its streams, told of and asked as a `subprocess.Popen`."""

    def __init__(self, arguments: Sequence[str], requests: socket.socket) -> None:
        """Ask for it. Raises OSError when the twin_pool has gone."""
        inner_in, outer_in = os.pipe()
        outer_out, inner_out = os.pipe()
        outer_err, inner_err = os.pipe()
        self._told, told = os.pipe()
        self.stdin, self.stdout, self.stderr = (
            os.fdopen(outer_in, "wb"),
            os.fdopen(outer_out, "rb"),
            os.fdopen(outer_err, "rb"),
        )
        self.returncode: int | None = None
        self._words = b""
        given = [inner_in, inner_out, inner_err, told]
        kept_to = sorted(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else None
        asked = json.dumps({"arguments": list(arguments), "processors": kept_to})
        try:
            socket.send_fds(requests, [asked.encode("ascii")], given)
        except OSError:
            for stream in (self.stdin, self.stdout, self.stderr):
                stream.close()
            os.close(self._told)
            raise
        finally:
            for file in given:
                os.close(file)

    @property
    def pid(self) -> int | None:
        """Its process number, None where it has none within the twin_pool's time."""
        while b" " not in self._words and self.returncode is None and self._hears(_END_DEADLINE):
            pass
        number = self._words.partition(b" ")[0]
        return int(number) if number else None

    def wait(self, timeout: float | None = None) -> int:
        """Return its exit code. Raises subprocess.TimeoutExpired when it goes on for more than `timeout` s."""
        while self.returncode is None:
            if not self._hears(timeout):
                raise subprocess.TimeoutExpired("hilseq_sim", timeout or 0.0)
        return self.returncode

    def kill(self) -> None:
        """End it at once."""
        if self.pid is not None and self.returncode is None:
            with suppress(ProcessLookupError):
                os.kill(self.pid, signal.SIGKILL)

    def _hears(self, timeout: float | None) -> bool:
        """Take what it tells next: its number, its code, its end; False when it tells nothing in `timeout` s."""
        if not select.select([self._told], [], [], timeout)[0]:
            return False
        piece = os.read(self._told, 64)
        self._words += piece
        if not piece:
            code = self._words.partition(b" ")[2]
            self.returncode = int(code) if code else -signal.SIGKILL
            os.close(self._told)
        return True


def started(arguments: Sequence[str]) -> Forked | None:
    """Return a twin forked in the open twin_pool, None when there is none."""
    return Forked(arguments, _open[-1]) if _open else None
