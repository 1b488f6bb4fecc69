"""Whether another process lives, by when it was last heard and what the operating system says about it."""

from __future__ import annotations

import contextlib
import os
import time
from pathlib import Path

from hilseq.lease.process import kernel_fields

#: Silence after which the other one counts as hanging, s. A stopped process is found within this; with the time to
#: switch off it stays below the two seconds that the design allows.
SILENCE = 1.0
#: Silence after which a process that the operating system says is stopped (SIGSTOP, a debugger) is not waited for, s.
STOPPED = 0.5
#: More silence granted to a process that the operating system says is runnable: it is starved, not hanging.
STARVED = 4.0
#: A process that has had this share of the silence as processor time was not starved: it hangs, busily.
BUSY = 0.5


class SignsOfLife:
    """When the other process was last heard, and whether it counts as hanging by now.

    `starved` are the states of a thread (proc(5)) in which it is kept from running through no fault of its own.
    """

    def __init__(self, pid: int, starved: str = "R") -> None:
        self._pid = pid
        self._starved = starved
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
        """Return whether it hangs. One that is only starved, by what the operating system says, gets more time."""
        silence = self.silence
        if silence >= STOPPED and kernel_fields(Path(f"/proc/{self._pid}/stat"))[:1] in (["T"], ["t"]):
            return True
        if silence < SILENCE:
            return False
        starved = _is_in(self._pid, self._starved) and _work(self._pid) - self._worked < BUSY * silence
        return not starved or silence > SILENCE + STARVED


def _is_in(pid: int, states: str) -> bool:
    """Return whether a thread of it is in one of these states (R: it would run if there were a processor to spare)."""
    with contextlib.suppress(OSError):
        tasks = Path(f"/proc/{pid}/task").iterdir()
        return any(state in states for task in tasks for state in kernel_fields(task / "stat")[:1])
    return False


def _work(pid: int) -> float:
    """Return the processor time that the process has had, s."""
    fields = kernel_fields(Path(f"/proc/{pid}/stat"))
    try:
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    except (IndexError, ValueError):
        return 0.0
