"""Feeding one unit: its supply, at the voltage and with the current limit of its profile."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass

from hilseq.analysis.agreement import Holding, holding, is_limited
from hilseq.analysis.uncertainty import largest_error
from hilseq.clock import Clock
from hilseq.description.profile import Profile
from hilseq.errors import InstrumentReset, InvalidResponse, StandFault
from hilseq.instruments.supply import PowerSupply
from hilseq.instruments.supply_meter import MeasuredInrush
from hilseq.journal.event_names import SUPPLY_OFF, SUPPLY_ON, SUPPLY_SET
from hilseq.measured import Measured

#: A reading above this many times the current limit is none: what a limit lets through for a moment is less.
_IMPOSSIBLE = 2.0
#: Time between two looks at a supply that has switched itself off before, s.
_LOOK = 0.05


@dataclass(frozen=True, slots=True)
class SeenStart:
    """One start of the unit: when power came (clock, s), at which voltage (V), after how long without (s).

    `off` is None for the first of the visit; `took` is the time from power to ready, s.
    """

    at: float
    voltage: float
    off: float | None
    took: Measured


class UnitSupply:
    """The supply of the unit in one slot.

    `check_interlocks` raises Interlock when the stand may not be powered; `event` notes what was done; `turn_to_power`
    waits while the inrush of another unit could still add to that of this one.
    """

    def __init__(
        self,
        supply: PowerSupply,
        profile: Profile,
        clock: Clock,
        check_interlocks: Callable[[], None],
        event: Callable[[str, str], None],
        *,
        turn_to_power: Callable[[], AbstractContextManager[None]] = nullcontext,
    ) -> None:
        self._turn_to_power = turn_to_power
        self._supply = supply
        self._profile = profile
        self._clock = clock
        #: Raises Interlock when the stand may not be powered.
        self.check_interlocks = check_interlocks
        self._event = event
        #: Called with whether power has come, or is about to go.
        self.power_changed: Callable[[bool], None] = lambda _: None
        self._off_since: float | None = None
        #: Time of the clock at which power last came, or None while it is off.
        self.powered_since: float | None = None
        #: Whether this run has ever commanded it on.
        self.was_on = False
        #: Standard uncertainty of that time, s.
        self.came_within = 0.0
        #: How long the unit was without supply before that, s; None for the first time.
        self.off_for: float | None = None
        #: Voltage last set, V.
        self.level = 0.0

    @property
    def instrument(self) -> PowerSupply:
        """The supply itself, for a sampler that asks several instruments at once."""
        return self._supply

    def prepare(self) -> None:
        """Set ceilings and protection, leave the output off. Raises StandFault."""
        ratings = self._profile.ratings
        self._supply.prepare(ratings.absolute_maximum, ratings.current_limit)

    def on(self, voltage: float | None = None) -> None:
        """Power the unit at `voltage` (V), its rated supply by default. Raises StandFault, Interlock."""
        level = self._profile.ratings.supply if voltage is None else voltage
        if self.powered_since is None:
            with self._turn_to_power():
                self._set(level)
                self._switch_on()
        elif self._set(level) != level:
            self._event(SUPPLY_SET, f"{level:g} V")

    def _set(self, level: float) -> float:
        """Set the voltage (V) and the current limit of the profile; return the voltage that was set before."""
        self.check_interlocks()
        self._supply.set(level, self._profile.ratings.current_limit)
        before, self.level = self.level, level
        return before

    def _switch_on(self) -> None:
        self.was_on = True
        self._supply.on()
        came = self._supply.switched
        off = None if self._off_since is None else came.value - self._off_since
        self.came_back(came.value, off, came.standard_uncertainty)
        limit = self._profile.ratings.current_limit
        self._event(SUPPLY_ON, f"{self.level:g} V, current limit {limit:g} A")

    def off(self) -> None:
        """Switch off, verified. Raises StandFault."""
        was_on = self.powered_since is not None
        self.forget_power()
        self._supply.off()
        if was_on:
            self._off_since = self._supply.switched.value
            self._event(SUPPLY_OFF, "")

    def forget_power(self) -> None:
        """Count the unit as being without power: it is switched off, here or by whoever makes the stand safe."""
        self.powered_since = None
        self.power_changed(False)

    def residual_voltage(self, seconds: float) -> float:
        """Switch off, and on again after `seconds`; return the voltage (V) that was left by then."""
        self.off()
        self._clock.sleep(seconds)
        left = self.voltage().value
        self.on()
        return left

    def power_off(self) -> None:
        """Switch off for the profile's off-time, so that a unit that hangs begins anew when power comes."""
        self.off()
        self._clock.sleep(self._profile.start.off_time)

    def cycle(self, off_time: float | None = None) -> None:
        """Switch off for `off_time` seconds (the profile's by default), then on again at rated supply."""
        self.off()
        self._clock.sleep(self._profile.start.off_time if off_time is None else off_time)
        self.on()

    def move_to(self, voltage: float) -> None:
        """Change the voltage (V) of a unit under power. Raises StandFault, Interlock."""
        self.check_interlocks()
        self._supply.set(voltage)
        self.level = voltage

    def interrupt(self, seconds: float) -> Measured:
        """Take the supply away for `seconds`; return for how long it was away, s (`PowerSupply.interrupt`).

        Whether the unit has started anew is for the caller to find out and to say with `came_back`.
        """
        self.check_interlocks()
        return self._supply.interrupt(seconds)

    def overload(self) -> str | None:
        """Say how the unit overloads a supply that has switched itself off; None where it has not.

        The unit is given power once more and watched for as long as it may take to start. Raises StandFault when
        its over-voltage protection acted, InstrumentReset where no current near the limit is seen: over-temperature,
        an inhibit or a loose plug switch off a sound unit just as well.
        """
        supply, limit = self._supply, self._profile.ratings.current_limit
        if self.powered_since is None or supply.is_on():
            return None
        name = f"supply {supply.name}"
        if supply.reports_trip():
            raise StandFault(f"{name}: its over-voltage protection has switched it off", place=name)
        self.power_off()
        self.on()
        largest, until = 0.0, self._clock.now() + self._profile.start.ready_within
        while supply.is_on() and self._clock.now() < until:
            largest = max(largest, self._supply.current().value)
            if is_limited(largest, limit):
                return f"{name} has switched itself off: the unit draws {largest:.3g} A, its limit is {limit:g} A"
            self._clock.sleep(_LOOK)
        again = "stays on now" if supply.is_on() else "does so again"
        raise InstrumentReset(
            f"{name} has switched itself off, and {again} when the unit is given power once more; the largest "
            f"current seen then was {largest:.3g} A of {limit:g} A. Look at its protections, its inhibit and its "
            "plugs, and whether somebody else switches it, by another program or at its front panel; if "
            "another unit does not make it switch off, look at the power input of this one",
            place=name,
        )

    def came_back(self, at: float, off: float | None, known: float = 0.0) -> None:
        """Count the unit's start from time `at` of the clock, known to `known` s, after `off` s without supply."""
        self.power_changed(True)
        self.powered_since = at
        self.came_within = known
        self.off_for = off

    def note(self, what: str, words: str) -> None:
        """Take note of something about the unit's supply or its starts."""
        self._event(what, words)

    @property
    def is_on(self) -> bool:
        """Return whether power was switched on by this run."""
        return self.powered_since is not None

    @property
    def settle(self) -> float:
        """Time from a new setting of the supply until its reading holds, s."""
        return self._supply.description.settle

    def voltage(self) -> Measured:
        """Measured voltage, V."""
        return self._supply.voltage()

    def current(self) -> Measured:
        """Measured current, A, of what the unit does now: its load may have changed just before.

        Raises InvalidResponse for what no unit can draw: more than twice the limit, or less than nothing.
        """
        self._clock.sleep(self.settle)
        seen = self._supply.current()
        error, limit = 2.0 * largest_error(seen.standard_uncertainty), self._profile.ratings.current_limit
        if not -error <= seen.value <= _IMPOSSIBLE * limit + error:
            name = f"supply {self._supply.name}"
            raise InvalidResponse(
                f"{name} reads {seen.value:.4g} A, which nothing can draw from a supply limited to {limit:g} A; is "
                "its reading in another unit, or the other way round?",
                place=name,
            )
        return seen

    def both(self) -> tuple[Measured, Measured]:
        """Measured voltage, V, and current, A."""
        return self._supply.both()

    def voltage_error(self, volts: float | None = None) -> float:
        """Largest error of a reading of the supply at `volts`, its setting by default, V. Raises StandFault."""
        return self._supply.voltage_error(self.level if volts is None else volts)

    def holding(self, volts: float, amperes: float, error: float) -> Holding:
        """Return whether the supply holds its setting, given what it reads (V, A) and its largest error, V."""
        limit = self._profile.ratings.current_limit
        return holding(volts, amperes, setting=self.level, error=error, current_limit=limit)

    def inrush(self) -> MeasuredInrush | None:
        """What the supply recorded since it was switched on; None when it keeps no record."""
        return self._supply.inrush()

    def waveform(self) -> list[tuple[float, Measured]] | None:
        """The current that the supply recorded since it was switched on, s and A; None without a record."""
        return self._supply.waveform()
