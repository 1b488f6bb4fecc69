"""Having whoever uses a stand end: asked first, killed where no answer comes."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence

from hilseq.lease.addresses import StandInstrument
from hilseq.lease.lease import InstrumentUse, uses_of

#: Longest wait until a holder says that it has heard, s.
ANSWER = 1.0
#: Longest wait until the guard of a killed run has let go, s: it switches off within two.
_GUARD = 3.0
_PAUSE = 0.02


def end_users(instruments: Sequence[StandInstrument], *, patience: float) -> Iterator[str]:
    """Free the instruments: yield in words what became of each who used them.

    One who has heard gets `patience` s to switch off and to let go. Raises StandFault where a lock file is none.
    """
    held = _held(uses_of(instruments))
    for use in held:
        use.ask()
    begun = time.monotonic()
    told: dict[str, InstrumentUse] = {_who(use): use for use in held}
    while held:
        waited = time.monotonic() - begun
        if waited > (patience if all(use.heard for use in held) else ANSWER):
            break
        time.sleep(_PAUSE)
        held = _held(held)
    left = {_who(use) for use in held}
    yield from (f"{who}: asked, has ended" for who in told if who not in left)
    if not held:
        return
    killed = [use for use in held if use.kill_run()]
    for who in dict.fromkeys(map(_who, killed)):
        yield f"{who}: did not end, killed"
    until = time.monotonic() + _GUARD
    while (held := _held(held)) and time.monotonic() < until:
        time.sleep(_PAUSE)
    for use in held:
        use.kill()
    time.sleep(_PAUSE if held else 0.0)
    for who in dict.fromkeys(map(_who, _held(held))):
        yield f"{who}: CANNOT BE ENDED from here (another user's?)"


def _held(uses: Sequence[InstrumentUse]) -> list[InstrumentUse]:
    return [use for use in uses if use.look().is_held]


def _who(use: InstrumentUse) -> str:
    return use.holder.words if use.holder is not None else f"an unknown process, using {use.instrument.part}"
