"""The limits of a unit, by name, as its profile states them."""

from __future__ import annotations

from hilseq.analysis.limits import Limits
from hilseq.description.profile import Profile
from hilseq.errors import NotPerformed
from hilseq.quantities import Interval


def _limits(interval: Interval) -> Limits:
    return Limits(interval.low, interval.high)


class UnitLimits:
    """Limits in base units: A, V, s."""

    def __init__(self, profile: Profile) -> None:
        self._profile = profile

    @property
    def ready_time(self) -> Limits:
        """Time from power to ready, s."""
        return Limits(None, self._profile.start.ready_within)

    @property
    def idle_current(self) -> Limits:
        """Current when ready, outputs off, A."""
        return _limits(self._profile.start.idle_current)

    @property
    def live_current(self) -> Limits:
        """Current in live mode, outputs off, A. Raises NotPerformed when the profile has none."""
        if self._profile.start.live_current is None:
            raise NotPerformed("the profile states no live-current")
        return _limits(self._profile.start.live_current)

    @property
    def supply(self) -> Limits:
        """Supply range, V."""
        return _limits(self._profile.ratings.supply_range)

    @property
    def mode_change_time(self) -> Limits:
        """Time of a mode change, s."""
        return Limits(None, self._profile.modes.change_within)
