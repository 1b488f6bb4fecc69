"""What run and guard tell each other, and how long each waits.

The run writes what to watch (eight bytes of length, then a pickle), then single bytes: `BEAT` while it lives,
`DISARM` when the stand is safe and the guard may go, `TAKE_OVER` when the run could not verify the safe state
itself. The guard writes one line, `READY`, when it watches, and from then on its own `BEAT` from the loop that
watches. Each hears the other by a `SignsOfLife`.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections.abc import Callable
from pathlib import Path

from hilseq.description.stand import Stand
from hilseq.lease.process import kernel_fields

BEAT = b"."
DISARM = b"x"
TAKE_OVER = b"!"
READY = b"ready\n"

#: Time between beats, s.
INTERVAL = 0.2
#: Silence after which the other one counts as hanging, s. A stopped process is found within this; with the time to
#: switch off it stays below the two seconds that the design allows.
SILENCE = 1.0
#: Silence after which a process that the operating system says is stopped (SIGSTOP, a debugger) is not waited for, s.
STOPPED = 0.5
#: More silence granted to a process that the operating system says is runnable: it is starved, not hanging.
STARVED = 4.0
#: A process that has had this share of the silence as processor time was not starved: it hangs, busily.
BUSY = 0.5
#: Wall time that the run's main thread may spend between two signs of life, beyond the longest deadline of
#: its instruments, before its own beat stops.
STUCK = 10.0
#: Longest wait for the guard to say it watches.
START_DEADLINE = 20.0
FILE_NAME = "guard.jsonl"


class SignsOfLife:
    """When the other process was last heard, and whether it counts as hanging by now."""

    def __init__(self, pid: int) -> None:
        self._pid = pid
        self.heard()

    def heard(self) -> None:
        """Take note of a beat."""
        self._since, self._worked = time.monotonic(), _work(self._pid)

    @property
    def silence(self) -> float:
        """Time since the last beat, s."""
        return time.monotonic() - self._since

    @property
    def has_ceased(self) -> bool:
        """Tell whether it hangs. One that is only starved, by what the operating system says, gets more time."""
        silence = self.silence
        if silence >= STOPPED and kernel_fields(Path(f"/proc/{self._pid}/stat"))[:1] in (["T"], ["t"]):
            return True
        if silence < SILENCE:
            return False
        starved = _is_runnable(self._pid) and _work(self._pid) - self._worked < BUSY * silence
        return not starved or silence > SILENCE + STARVED


def stuck_after(stand: Stand) -> float:
    """Return for how long the main thread may be busy between two signs of life, s."""
    deadlines = [supply.deadline for supply in stand.supplies.values()]
    return STUCK + max(deadlines + [io.deadline for io in stand.io.values()])


class Beats:
    """The beats between this process and another, from a thread of its own.

    `send` sends one; it is left out once the main thread has not called `heartbeat` for `stuck_after` s. `hears`
    takes in what the other has said and tells whether it lives. Both may raise OSError: then it has gone. `lost` is
    called once where it has gone or hangs; `look` each time before; `pause` waits for so many seconds at most.
    """

    def __init__(
        self,
        send: Callable[[], None],
        hears: Callable[[], bool],
        *,
        stuck_after: float,
        lost: Callable[[], None],
        look: Callable[[], None],
        pause: Callable[[float], object] = time.sleep,
    ) -> None:
        self._send, self._hears, self._lost, self._look, self._pause = send, hears, lost, look, pause
        self._stuck_after = stuck_after
        self._goes_on = True
        self.heartbeat()
        self._thread = threading.Thread(target=self._run, name="hilseq-beats", daemon=True)
        self._thread.start()

    def heartbeat(self) -> None:
        """Say that the main thread is not stuck."""
        self._alive_at = time.monotonic()

    def end(self) -> None:
        """Beat no more; whatever becomes of the other is no matter."""
        self._goes_on = False
        if threading.current_thread() is not self._thread:
            self._thread.join(timeout=2 * INTERVAL)

    def _run(self) -> None:
        while self._goes_on:
            self._look()
            try:
                if time.monotonic() - self._alive_at < self._stuck_after:
                    self._send()
                if not self._hears():
                    break
            except (OSError, ValueError):
                break
            self._pause(INTERVAL)
        if self._goes_on:
            self._lost()


def _is_runnable(pid: int) -> bool:
    """Tell whether the operating system would run a thread of it if it had a processor to spare."""
    with contextlib.suppress(OSError):
        return any(kernel_fields(task / "stat")[:1] == ["R"] for task in Path(f"/proc/{pid}/task").iterdir())
    return False


def _work(pid: int) -> float:
    """Return the processor time that the process has had, s."""
    fields = kernel_fields(Path(f"/proc/{pid}/stat"))
    try:
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    except (IndexError, ValueError):
        return 0.0
