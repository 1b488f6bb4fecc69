"""Waiting for the unit to do something, by the clock of the stand."""

from __future__ import annotations

import time
from collections.abc import Callable

from hilseq.analysis.uncertainty import Term, resolution
from hilseq.clock import Clock
from hilseq.description.accuracy import POLL_INTERVAL
from hilseq.errors import UnitFault, UnitSilent
from hilseq.measured import Measured

#: A wait of this share of a deadline counts as unanswered.
IN_VAIN = 0.8


def poll(
    clock: Clock, done: Callable[[], bool], *, within: float, since: float, link_deadline: float
) -> Measured | None:
    """Ask `done` until it is true; return the time since `since` in s, or None after `within` seconds.

    A unit that does not answer, or refuses to, is not done yet. The uncertainty is that of the interval between the
    question of the last no and the answer of the first yes, spread evenly (rectangular, width / sqrt 12).
    """
    last_no = since
    while True:
        asked = clock.now()
        begun = time.monotonic()
        try:
            if done():
                # What it says holds at some instant until then: the question takes its time to reach it, and one
                # that is busy is asked again and again.
                answered = clock.now()
                half = (answered + last_no) / 2 - since
                known = resolution(max(answered - last_no, POLL_INTERVAL))
                between = Term("between two answers", known, "rectangular", source="the clock of the stand")
                return Measured.of(half, "s", between)
        except UnitFault as refusal:
            # Busy, refusing, invalid answers while starting: not done yet. A stepped clock stood still while the
            # deadline of a silent exchange ran out on the wall.
            if time.monotonic() - begun > IN_VAIN * link_deadline:
                clock.account_wait(link_deadline)
            if not isinstance(refusal, UnitSilent):
                asked = clock.now()
        last_no = asked
        if clock.now() - since > within:
            return None
        clock.sleep(POLL_INTERVAL)
