"""What run and guard tell each other, and how long each waits.

The run writes what to watch (eight bytes of length, then a pickle), then single bytes: `BEAT` while it lives,
`DISARM` when the stand is safe and the guard may go, `TAKE_OVER` when the run could not verify the safe state
itself. The guard writes one line, `READY`, when it watches.
"""

from __future__ import annotations

BEAT = b"."
DISARM = b"x"
TAKE_OVER = b"!"
READY = b"ready\n"

#: Time between beats, s.
INTERVAL = 0.2
#: Silence after which the run counts as hanging, s. A stopped process is found within this; with the time to
#: switch off it stays below the two seconds that the design allows.
SILENCE = 1.0
#: More silence granted to a run that the operating system says is runnable: it is starved, not hanging.
STARVED = 4.0
#: A run that has had this share of the silence as processor time was not starved: it hangs, busily.
BUSY = 0.5
#: Wall time that the run's main thread may spend between two signs of life, beyond the longest deadline of
#: its instruments, before its own beat stops.
STUCK = 10.0
#: Longest wait for the guard to say it watches.
START_DEADLINE = 20.0
FILE_NAME = "guard.jsonl"
