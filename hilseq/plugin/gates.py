"""Gates: which units may not be tested further, and why.

A failed gate closes its unit. A fault of the stand closes every unit that the faulty part serves, and no
other; where it cannot be told whom it serves, all of them. A reading that is too near its limit for this stand
closes nothing: it says nothing against going on.
"""

from __future__ import annotations

from collections.abc import Sequence

from hilseq.description.stand import Stand
from hilseq.plugin.classify import PROFILE, Outcome
from hilseq.procedures.self_check import PLACE as LINK
from hilseq.procedures.wiring import served_by
from hilseq.verdicts import CheckVerdict


class Gates:
    """The gates of the units in `slots`."""

    def __init__(self, stand: Stand, slots: Sequence[str]) -> None:
        self._stand = stand
        self._slots = tuple(slots)
        self._closed: dict[str, str] = {}

    def after(self, slot: str, title: str, outcome: Outcome, *, gate: bool) -> list[str]:
        """Take note of how a check of the unit in `slot` ended; return the slots that this closed."""
        if outcome.verdict is CheckVerdict.STAND_FAULT:
            return self._close(
                self.concerned(slot, outcome.places), f"the stand failed earlier ({outcome.why})"
            )
        if outcome.too_near:
            return []
        if outcome.verdict is CheckVerdict.NOT_PERFORMED and LINK in outcome.places:
            return self._close([slot], f"the link of the unit was lost during {title!r}, which says more")
        if gate and outcome.verdict in (CheckVerdict.FAILED, CheckVerdict.NOT_PERFORMED):
            return self._close([slot], f"the gate {title!r} was {outcome.verdict} before it")
        return []

    def concerned(self, slot: str, places: Sequence[str]) -> list[str]:
        """Return the slots that a fault of the stand at these places concerns, seen while `slot` was tested.

        The link and a port of the slot concern that slot alone.
        """
        own = {PROFILE, f"link of slot {slot}", *self._stand.slots[slot].ports}
        reached = {slot}
        for place in places:
            reached |= {slot} if place in own else served_by(self._stand, place)
        if not places:
            reached |= set(self._slots)
        return [each for each in self._slots if each in reached]

    def close_all(self, why: str) -> None:
        """Close every unit that is still open."""
        self._close(self._slots, why)

    def reason(self, slot: str) -> str:
        """Return why a check of this slot is not performed; empty when it may be."""
        return self._closed.get(slot, "")

    def _close(self, slots: Sequence[str], why: str) -> list[str]:
        newly = [slot for slot in slots if slot not in self._closed]
        self._closed |= dict.fromkeys(newly, why)
        return newly
