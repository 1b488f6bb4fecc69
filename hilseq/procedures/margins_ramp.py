"""A slow ramp of the supply, down to 0 V and up again: drop-out, pick-up, and no chatter between them."""

from __future__ import annotations

import math
from dataclasses import dataclass

from hilseq.analysis.uncertainty import resolution
from hilseq.clock import Clock
from hilseq.errors import UnitFault
from hilseq.measured import Measured
from hilseq.procedures.margins import margins_of
from hilseq.procedures.unit import Unit

#: A unit draws current when it draws this share of its lowest idle current; without supply it draws none.
_DRAWS = 0.4
#: Steps of a ramp that the searched edge cannot lie in are this many times as large.
_COARSE = 5
#: Least time between two steps of a ramp, s.
_LEAST_PERIOD = 0.05


@dataclass(slots=True)
class Ramp:
    """One slow ramp down to 0 V and up again: where the unit went off and came back, V.

    `draws` counts how often it began to draw current on the way; `starts` how often it says it started
    (None where it does not count). Rows: time (s), voltage (V), current (A).
    """

    drop_out: Measured
    pick_up: Measured
    draws: int
    starts: int | None
    resolution: float
    rows: list[tuple[float, float, float]]

    @property
    def hysteresis(self) -> Measured:
        """Pick-up less drop-out, V."""
        return self.pick_up - self.drop_out

    def in_words(self) -> str:
        """Return the finding and its resolution."""
        return (
            f"went off at {self.drop_out.value:.4g} V and came back at {self.pick_up.value:.4g} V, "
            f"in steps of {self.resolution:.3g} V"
        )


class _Ramping:
    """The supply on its way, one step at a time at the profile's slope."""

    def __init__(self, unit: Unit, clock: Clock) -> None:
        self._unit = unit
        self._clock = clock
        self._slope = margins_of(unit.profile).ramp
        self._begun = clock.now()
        self.step = self._slope * max(unit.supply.settle, _LEAST_PERIOD)
        self.rows: list[tuple[float, float, float]] = []
        self._least = _DRAWS * unit.profile.start.idle_current.low
        self._accuracy = 0.0
        self.volts = unit.supply.level

    def to(self, volts: float) -> bool:
        """Go to another voltage, V; tell whether the unit draws current there."""
        supply, before = self._unit.supply, self.volts
        self.volts = min(max(0.0, volts), self._unit.profile.ratings.supply)
        reached = self._clock.now() + abs(self.volts - before) / self._slope
        supply.move_to(self.volts)
        self._clock.sleep_until(reached)
        read_volts, amperes = supply.both()
        self._accuracy = read_volts.standard_uncertainty
        self.rows.append((round(self._clock.now() - self._begun, 6), read_volts.value, amperes.value))
        return amperes.value >= self._least

    def between(self, before: float) -> Measured:
        """Return the edge between the voltage before and now: anywhere, and as exact as the supply is, V."""
        width = abs(self.volts - before)
        known = math.hypot(resolution(width), self._accuracy)
        return Measured(0.5 * (self.volts + before), "V", known)


def slow_ramp(unit: Unit, clock: Clock) -> Ramp:
    """Let the supply of a ready unit fall to 0 V and rise to rated, and find drop-out and pick-up.

    Fine steps begin at the lower end of the supply range: above it the unit must work, and one that drops out
    there fails whatever the resolution. Raises UnitFault when it draws current to the last, or never again.
    """
    counter = unit.profile.link.starts
    before = None if counter is None else unit.link.read(counter)
    ramp = _Ramping(unit, clock)
    down = _fall(ramp, unit.profile.ratings.supply_range.low)
    up, draws = _rise(ramp, unit, down.value, clock)
    unit.wait_until_ready(measured=False)
    after = None if counter is None else unit.link.read(counter)
    started = None if before is None or after is None else round(after - before)
    return Ramp(down, up, draws, started, ramp.step, ramp.rows)


def _fall(ramp: _Ramping, low: float) -> Measured:
    while True:
        last = ramp.volts
        step = ramp.step if last <= low + _COARSE * ramp.step else _COARSE * ramp.step
        if not ramp.to(last - step):
            return ramp.between(last)
        if ramp.volts <= 0.0:
            raise UnitFault(
                "the unit draws current even at 0 V of its supply: is it fed from elsewhere?", place="supply"
            )


def _rise(ramp: _Ramping, unit: Unit, down: float, clock: Clock) -> tuple[Measured, int]:
    """Go on down to 0 V and up to rated; return the pick-up, and how often the unit began to draw current."""
    found: Measured | None = None
    draws, drew, rated = 0, False, unit.profile.ratings.supply

    def to(volts: float) -> None:
        nonlocal found, draws, drew
        last = ramp.volts
        draws_now = ramp.to(volts)
        if draws_now and not drew:
            draws += 1
            if found is None and ramp.volts > last:
                found = ramp.between(last)
                unit.supply.came_back(clock.now(), 0.0)
        drew = draws_now

    while ramp.volts > 0.0:
        near = ramp.volts > down - _COARSE * ramp.step
        to(ramp.volts - (ramp.step if near else _COARSE * ramp.step))
    while ramp.volts < rated:
        fine = found is None and ramp.volts >= down - 2 * _COARSE * ramp.step
        to(ramp.volts + (ramp.step if fine else _COARSE * ramp.step))
    if found is None:
        unit.supply.power_off()
        raise UnitFault(f"after a slow ramp to {rated:g} V the unit draws no current", place="supply")
    return found, draws
