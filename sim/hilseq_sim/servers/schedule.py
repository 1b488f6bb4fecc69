"""When a device that is busy at times is busy."""

from __future__ import annotations

import time
from collections.abc import Callable

#: Questions from the beginning of one spell to that of the next; those asked while it is busy do not count.
EVERY = 50
#: Questions before the first: the shortest visits shall meet it too.
FIRST = 5


class Schedule:
    """Devices by endpoint: how often they were asked, and until when they are busy, s of wall time."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._asked: dict[str, int] = {}
        self._until: dict[str, float] = {}

    def busy(self, endpoint: str, seconds: float) -> bool:
        """Tell whether it is busy now that it is asked; a spell lasts `seconds`."""
        now = self._clock()
        if now < self._until.get(endpoint, now):
            return True
        asked = self._asked[endpoint] = self._asked.get(endpoint, 0) + 1
        if asked % EVERY != FIRST:
            return False
        self._until[endpoint] = now + seconds
        return True
