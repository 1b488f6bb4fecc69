"""Gates: after a failed gate the later checks of that unit are not performed."""

from __future__ import annotations

from dataclasses import dataclass, field

from hilseq.verdicts import CheckVerdict


@dataclass(slots=True)
class Gates:
    """Which units, or the whole stand, may not be tested further, and why."""

    closed: dict[str, str] = field(default_factory=dict)
    stand_closed: str = ""

    def after(self, slot: str, title: str, verdict: CheckVerdict, *, gate: bool, why: str) -> bool:
        """Take note of a check's verdict; tell whether that closed the unit or the stand."""
        if verdict is CheckVerdict.STAND_FAULT and not self.stand_closed:
            self.stand_closed = f"the stand failed earlier ({why})"
            return True
        if gate and verdict in (CheckVerdict.FAILED, CheckVerdict.NOT_PERFORMED) and slot not in self.closed:
            self.closed[slot] = f"the gate {title!r} was {verdict} before it"
            return True
        return False

    def reason(self, slot: str) -> str:
        """Return why a check of this slot is not performed; empty when it may be."""
        return self.stand_closed or self.closed.get(slot, "")
