"""A clock for records made by hand: the same steps give the same bytes."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

#: The date at which such records begin.
START = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)


class StandingClock:
    """Time that passes only when commanded to."""

    def __init__(self) -> None:
        self.seconds = 0.0
        self.tick: Callable[[], None] = lambda: None

    def now(self) -> float:
        return self.seconds

    def advance_async(self, instant: float) -> None:
        """Wait for `sleep_until`."""

    def sleep(self, seconds: float) -> None:
        self.seconds += seconds

    def sleep_until(self, instant: float) -> None:
        self.seconds = max(self.seconds, instant)

    def account_wait(self, seconds: float) -> None:
        self.seconds += seconds

    def moment(self) -> datetime:
        return START + timedelta(seconds=self.seconds)
