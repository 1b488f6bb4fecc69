"""Making safe what another process has left: again and again until it is verified, and journalled in its folder."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from pathlib import Path

from hilseq.errors import HilseqError, in_words
from hilseq.guard.protocol import FILE_NAME
from hilseq.journal.entries import MadeSafe
from hilseq.journal.writer import JournalWriter
from hilseq.lease.latch import Latch

#: Attempts to reach the safe state continue this long, s: a single-connection instrument may first have to
#: notice that the dead run's connection is gone.
PERSEVERANCE = 60.0


def rescue(make_safe: Callable[[], None], folder: str, reason: str, latch: Latch) -> str:
    """Make safe, and journal it in a run's folder unless that is empty; return why it could not be verified.

    Where a person had made the stand safe before, the reason says so. Safety first: the disk is touched last.
    """
    begun = time.monotonic()
    tries = 0
    while True:
        tries += 1
        try:
            make_safe()
            why = ""
        except Exception as error:  # noqa: BLE001 - of any kind: it is tried again, and reported
            why = in_words(error)
        if not why or time.monotonic() - begun > PERSEVERANCE:
            break
        time.sleep(0.1)
    took = time.monotonic() - begun
    if not folder:
        return why
    with contextlib.suppress(HilseqError):
        if (latched := latch.standing()) is not None:
            reason += f", after a person had made the stand safe (latched {latched.words})"
    with contextlib.suppress(OSError, HilseqError):
        # A full or vanished disk must not make a verified safe state look like a failure.
        # A run that was continued may be killed again.
        resumed = (Path(folder) / FILE_NAME).exists()
        journal = JournalWriter(Path(folder), file_name=FILE_NAME, resume=resumed)
        journal.write(
            MadeSafe(
                verified=not why, why=why, by="guard", reason=reason, tries=tries, seconds=round(took, 3)
            )
        )
        journal.close()
    return why
