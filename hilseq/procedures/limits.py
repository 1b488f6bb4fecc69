"""The limits of a unit, by name, as its profile states them."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from hilseq.analysis.agreement import LIMITED, no_signal, threshold_limits
from hilseq.analysis.limits import Limits
from hilseq.description.profile import Profile
from hilseq.errors import NotPerformed
from hilseq.quantities import Interval


def _limits(interval: Interval) -> Limits:
    return Limits(interval.low, interval.high)


@dataclass(frozen=True, slots=True)
class OutputLimits:
    """What an output may do under its load; None where the profile says nothing of it.

    `off_voltage` (V) is what every input of IEC 61131-2 still takes as off, 5 V at 24 V; `drop` in V,
    `leakage` in A.
    """

    off_voltage: Limits
    drop: Limits | None
    leakage: Limits | None


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
    def loaded_current(self) -> Limits | None:
        """Current in live mode, every output on, A; None when the profile states none."""
        stated = self._profile.start.loaded_current
        return None if stated is None else _limits(stated)

    @property
    def any_current(self) -> Interval:
        """Current of a healthy unit in whatever mode, A; up to the current limit where the profile claims less."""
        start = self._profile.start
        claimed = [c for c in (start.idle_current, start.live_current, start.loaded_current) if c is not None]
        whole = start.live_current is None or (start.loaded_current is None and self._profile.points.outputs)
        highest = self._profile.ratings.current_limit if whole else max(c.high for c in claimed)
        return Interval(min(c.low for c in claimed), highest)

    @property
    def temperature_error(self) -> Limits:
        """Error of the case temperature that the unit reports, K. Raises NotPerformed when none is stated."""
        stated = self._profile.link.temperature_error
        if stated is None:
            raise NotPerformed("the profile states no temperature-error")
        return Limits(-stated, stated)

    @property
    def inrush_peak(self) -> Limits | None:
        """Largest current when power comes, A; None when the profile states none."""
        stated = self._profile.start.inrush_peak
        return None if stated is None else Limits(None, stated)

    @property
    def inrush_charge(self) -> Limits | None:
        """Largest charge drawn while the supply comes up, C; None when the profile states none."""
        stated = self._profile.start.inrush_charge
        return None if stated is None else Limits(None, stated)

    def soaked_current(self, *, live: bool) -> Interval:
        """Current of a soak, A: what is claimed of its load; up to the limit where nothing is."""
        start, most = self._profile.start, LIMITED * self._profile.ratings.current_limit
        lowest = (start.live_current if live else None) or start.idle_current
        highest = start.loaded_current if live and self._profile.points.outputs else start.live_current
        known = [current.high for current in (start.idle_current, start.live_current, highest) if current]
        return Interval(lowest.low, most if highest is None else max(known))

    def port_clock(self, name: str) -> Limits:
        """Error of a port's clock, %, either way."""
        most = 100.0 * (self._profile.ports[name].clock_error or math.inf)
        return Limits(-most, most)

    @property
    def supply(self) -> Limits:
        """Supply range, V."""
        return _limits(self._profile.ratings.supply_range)

    @property
    def mode_change_time(self) -> Limits:
        """Time of a mode change, s."""
        return Limits(None, self._profile.modes.change_within)

    def output_delay(self, name: str) -> Limits:
        """Time until an output follows its command, s."""
        return Limits(None, self._profile.points.outputs[name].settle)

    def output(self, name: str) -> OutputLimits:
        """Limits of an output under its load."""
        point = self._profile.points.outputs[name]
        return OutputLimits(
            off_voltage=no_signal(self._profile.ratings.supply),
            drop=None if point.voltage_drop is None else Limits(None, point.voltage_drop),
            leakage=None if point.leakage is None else Limits(None, point.leakage),
        )

    def input_delay(self, name: str) -> Limits:
        """Time until the report of an input follows what drives it, s."""
        return Limits(None, self._profile.points.inputs[name].settle)

    def input_threshold(self, name: str) -> Limits:
        """Range in which an input must change over, V: that of its type in IEC 61131-2."""
        return threshold_limits(self._profile.points.inputs[name].type_, self._profile.ratings.supply)

    def of_reading(self, name: str, place: str) -> Limits | None:
        """Return the limits that the profile itself states for a reading of the shipped checks; None for any other."""
        named = name.removesuffix(", hot").removesuffix(" at the end").removeprefix("largest ")
        stated = _STATED.get(named)
        try:
            return None if stated is None else stated(self, place)
        except (NotPerformed, KeyError):  # the profile states none, or has no such point
            return None


#: The readings of the shipped checks whose limits stand in the profile.
_STATED: Mapping[str, Callable[[UnitLimits, str], Limits | None]] = {
    "time to ready": lambda limits, _: limits.ready_time,
    "settling time of the current": lambda limits, _: limits.ready_time,
    "idle current": lambda limits, _: limits.idle_current,
    "live current": lambda limits, _: limits.live_current,
    "loaded current": lambda limits, _: limits.loaded_current,
    "inrush peak": lambda limits, _: limits.inrush_peak,
    "inrush charge": lambda limits, _: limits.inrush_charge,
    "error of the reported temperature": lambda limits, _: limits.temperature_error,
    "time to change": lambda limits, _: limits.mode_change_time,
    "switching delay": UnitLimits.output_delay,
    "voltage drop when on": lambda limits, place: limits.output(place).drop,
    "voltage when off": lambda limits, place: limits.output(place).off_voltage,
    "leakage when off": lambda limits, place: limits.output(place).leakage,
    "input delay": UnitLimits.input_delay,
    "threshold rising": UnitLimits.input_threshold,
    "threshold falling": UnitLimits.input_threshold,
}
