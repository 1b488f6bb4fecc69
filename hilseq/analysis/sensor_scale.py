"""What an analog terminal carries, and the quantity it stands for: currents, voltages, temperatures.

Everything in base units: A, V and Ohm at the terminal; A, V or degC as the quantity. For currents and
voltages both are the same; the others follow the published tables of `temperature`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from hilseq.analysis.temperature import (
    PT100_HIGHEST,
    PT100_LOWEST,
    ThermocoupleType,
    pt100_resistance,
    pt100_temperature,
    thermocouple_range,
    thermocouple_temperature,
    thermocouple_voltage,
)

#: Below this a type K junction gives some 10 uV/K and less, too little to test a channel with (common
#: practice, no source: tables begin at -270 degC, tolerances of IEC 60584 at -200 degC).
_K_LOWEST = -200.0
_MV = 1e-3
#: Share of the range over which a slope is taken.
_STEP = 1e-6


@dataclass(frozen=True, slots=True)
class SensorScale:
    """One kind of analog terminal: the range of its quantity, and the way between quantity and terminal."""

    low: float
    high: float
    _terminal: Callable[[float], float]
    _quantity: Callable[[float], float]

    @property
    def span(self) -> float:
        """Width of the range, in the unit of the quantity."""
        return self.high - self.low

    def at(self, fraction: float) -> float:
        """Return the quantity at a share of the range, 0 to 1."""
        return self.low + fraction * self.span

    def terminal(self, quantity: float) -> float:
        """Return what the terminal carries; beyond an end of the range, along the slope at that end."""
        inside = min(max(quantity, self.low), self.high)
        value = self._terminal(inside)
        return value if inside == quantity else value + (quantity - inside) * self.slope(inside)

    def quantity(self, terminal: float) -> float:
        """Return the quantity that a terminal stands for; the inverse of `terminal`."""
        for end, beyond in (
            (self.low, terminal < self._terminal(self.low)),
            (self.high, terminal > self._terminal(self.high)),
        ):
            if beyond:
                return end + (terminal - self._terminal(end)) / self.slope(end)
        return self._quantity(terminal)

    def slope(self, quantity: float) -> float:
        """Return by how much the terminal changes for one unit of the quantity, inside the range."""
        step = _STEP * self.span
        left, right = max(self.low, quantity - step), min(self.high, quantity + step)
        return (self._terminal(right) - self._terminal(left)) / (right - left)


def _same(value: float) -> float:
    return value


def _thermocouple(kind: ThermocoupleType) -> SensorScale:
    low, high = thermocouple_range(kind)
    return SensorScale(
        max(low, _K_LOWEST) if kind is ThermocoupleType.K else low,
        high,
        lambda celsius: _MV * thermocouple_voltage(kind, celsius),
        lambda volts: thermocouple_temperature(kind, volts / _MV),
    )


#: Kind, as profiles call it -> its scale.
SCALES: Mapping[str, SensorScale] = MappingProxyType(
    {
        "4..20 mA": SensorScale(0.004, 0.020, _same, _same),
        "0..20 mA": SensorScale(0.0, 0.020, _same, _same),
        "0..10 V": SensorScale(0.0, 10.0, _same, _same),
        "Pt100": SensorScale(PT100_LOWEST, PT100_HIGHEST, pt100_resistance, pt100_temperature),
        "thermocouple J": _thermocouple(ThermocoupleType.J),
        "thermocouple K": _thermocouple(ThermocoupleType.K),
    }
)
