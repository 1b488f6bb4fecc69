"""What run and guard tell each other, and how long each waits.

The run writes what to watch (eight bytes of length, then a pickle), then single bytes: `BEAT` while it lives,
`DISARM` when the stand is safe and the guard may go, `TAKE_OVER` when the run could not verify the safe state
itself. The guard writes one line, `READY`, when it watches, and from then on its own `BEAT` from the loop that
watches. Each hears the other by a `SignsOfLife`.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from hilseq.description.stand import Stand

BEAT = b"."
DISARM = b"x"
TAKE_OVER = b"!"
READY = b"ready\n"

#: Time between beats, s.
INTERVAL = 0.2
#: Wall time that the run's main thread may spend between two signs of life, beyond the longest deadline of
#: its instruments, before its own beat stops.
STUCK = 10.0
#: Longest wait for the guard to say it watches.
START_DEADLINE = 20.0
FILE_NAME = "guard.jsonl"


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
