"""Feeding one unit: its supply, at the voltage and with the current limit of its profile."""

from __future__ import annotations

from collections.abc import Callable

from hilseq.clock import Clock
from hilseq.description.profile import Profile
from hilseq.instruments.supply import PowerSupply
from hilseq.measured import Measured


class Feed:
    """The supply of the unit in one slot.

    `check_interlocks` raises Interlock when the stand may not be powered; `event` notes what was done.
    """

    def __init__(
        self,
        supply: PowerSupply,
        profile: Profile,
        clock: Clock,
        check_interlocks: Callable[[], None],
        event: Callable[[str, str], None],
    ) -> None:
        self._supply = supply
        self._profile = profile
        self._clock = clock
        self._check_interlocks = check_interlocks
        self._event = event
        #: Time of the clock at which power last came, or None while it is off.
        self.powered_since: float | None = None

    def prepare(self) -> None:
        """Set ceilings and protection, leave the output off. Raises StandFault."""
        ratings = self._profile.ratings
        self._supply.prepare(ratings.absolute_maximum, ratings.current_limit)

    def on(self, voltage: float | None = None) -> None:
        """Power the unit at `voltage` (V), its rated supply by default. Raises StandFault, Interlock."""
        ratings = self._profile.ratings
        self._check_interlocks()
        level = ratings.supply if voltage is None else voltage
        self._supply.set(level, ratings.current_limit)
        if self.powered_since is None:
            self._supply.on()
            self.powered_since = self._clock.now()
            self._event("supply on", f"{level:g} V, limit {ratings.current_limit:g} A")

    def off(self) -> None:
        """Switch off, verified. Raises StandFault."""
        was_on = self.powered_since is not None
        self.powered_since = None
        self._supply.off()
        if was_on:
            self._event("supply off", "")

    def cycle(self, off_time: float | None = None) -> None:
        """Switch off for `off_time` seconds (the profile's by default), then on again at rated supply."""
        self.off()
        self._clock.sleep(self._profile.start.off_time if off_time is None else off_time)
        self.on()

    @property
    def is_on(self) -> bool:
        """Tell whether power was switched on by this run."""
        return self.powered_since is not None

    def voltage(self) -> Measured:
        """Measured voltage, V."""
        return self._supply.voltage()

    def current(self) -> Measured:
        """Measured current, A."""
        return self._supply.current()
