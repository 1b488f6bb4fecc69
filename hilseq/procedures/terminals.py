"""What the channels of the stand say of one terminal, each by itself and all together.

Two channels of one terminal that contradict each other prove a fault of the stand. What one channel alone shows can
be the unit as well as the channel or the wire; no stand can tell that.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from itertools import combinations

from hilseq.analysis.agreement import LOGIC, LevelBand, agree, contradict, voltage_band
from hilseq.analysis.uncertainty import largest_error
from hilseq.description.accuracy import of_signal
from hilseq.description.stand import Signal
from hilseq.errors import StandFault
from hilseq.quantities import SYMBOLS


@dataclass(frozen=True, slots=True)
class Sensor:
    """One channel that senses a terminal, and what its values mean; `per_volt` is 0 for a logic channel."""

    name: str
    signal: Signal
    band: LevelBand
    per_volt: float

    def shown(self, value: float) -> str:
        """Return a value of the channel as text."""
        return f"{value:.5g} {self.signal.unit}".rstrip()


def sensor_of(name: str, signal: Signal, supply: float) -> Sensor | None:
    """Return the sensor that a signal is, at a rated supply in V; None when it is neither logic nor a voltage."""
    if signal.is_bit:
        return Sensor(name, signal, LOGIC, 0.0)
    dimension, to_volts, *_ = SYMBOLS.get(signal.unit, ("", 1.0))
    if dimension != "voltage":
        return None
    per_volt = 1.0 / to_volts
    error = largest_error(of_signal(signal, supply * per_volt))
    return Sensor(name, signal, voltage_band(supply, per_volt, error), per_volt)


def contradiction(
    terminal: str,
    sensors: Iterable[Sensor],
    seen: Mapping[str, float],
    uncertainty: Callable[[str, float], float],
) -> StandFault | None:
    """Return the fault that two readings of one terminal, taken together, prove; None when they agree.

    `uncertainty` tells the standard uncertainty of a channel at a value (`SignalBank.uncertainty`). The places are
    the two channels, the one that shows less first.
    """
    for first, second in combinations(sensors, 2):
        if _agree(first, second, seen, uncertainty):
            continue
        less, more = sorted((first, second), key=lambda sensor: _share(sensor, seen[sensor.name]))
        return StandFault(
            f"terminal {terminal} is sensed twice and the two contradict each other: {more.name} shows "
            f"{more.shown(seen[more.name])}, {less.name} shows {less.shown(seen[less.name])}; one of the channels, "
            "or its wire, is broken",
            places=(less.name, more.name),
        )
    return None


def _share(sensor: Sensor, value: float) -> float:
    """Return a value as a share of what surely means on, so that channels can be put in order."""
    return abs(value) / sensor.band.on


def _agree(
    one: Sensor, other: Sensor, seen: Mapping[str, float], uncertainty: Callable[[str, float], float]
) -> bool:
    a, b = seen[one.name], seen[other.name]
    if contradict(one.band.level(a), other.band.level(b)):
        return False
    if not (one.per_volt and other.per_volt):
        return True
    errors = [largest_error(uncertainty(s.name, seen[s.name])) / s.per_volt for s in (one, other)]
    return agree(a / one.per_volt, b / other.per_volt, *errors)
