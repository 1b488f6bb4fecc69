"""The outcome of the exchanges over a link, for what goes wrong now and then. Knows no protocol."""

from __future__ import annotations

from dataclasses import dataclass

#: Where a link is at fault, or its path.
PLACE = "link"
#: So many exchanges that went wrong are more than one moment in which the link was away.
_NOW_AND_THEN = 2


@dataclass(slots=True)
class LinkTally:
    """Requests that were sent, and those that came to nothing but were answered rightly when they were sent again.

    `lost`: no answer within the deadline, however often one request was asked again meanwhile. `wrong`: an answer that
    belongs to another request, or invalid. `refused`: an exception for what is carried out otherwise. A link that stays
    away, and a device that always refuses, are none of these.
    """

    sent: int = 0
    lost: int = 0
    wrong: int = 0
    refused: int = 0

    @property
    def failed(self) -> int:
        """How many came to nothing."""
        return self.lost + self.wrong + self.refused

    @property
    def is_unreliable(self) -> bool:
        """Whether more went wrong than one moment explains in which an answer was lost."""
        return self.wrong + self.refused > 0 or self.lost >= _NOW_AND_THEN

    def add(self, other: LinkTally) -> None:
        """Add the counts of another."""
        self.sent += other.sent
        self.lost += other.lost
        self.wrong += other.wrong
        self.refused += other.refused
