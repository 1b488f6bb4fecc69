"""What an analog terminal carries, and the quantity it stands for: currents, voltages, temperatures.

Scales are in base units: A, V and Ohm at the terminal; A, V or degC as the quantity. For currents and
voltages both are the same. The published functions of the sensors stay in the units of their tables:
degC (ITS-90), Ohm, and mV.

Sources: IEC 60751 coefficients from supplier sheets quoting it (R0 = 100 Ohm; the IPTS-68 tables of old,
138.50 Ohm at 100 degC, differ). Thermocouples: NIST ITS-90 reference functions, coefficients equal to those
of the PyPI library thermocouples_reference 0.20. The inverse is the root of the reference function itself:
the published inverse polynomials are only good to some 0.05 K. Bands of a 4..20 mA loop: NAMUR NE 43 as
quoted by process-instrumentation pages (3.8 to 20.5 mA measures, up to 3.6 and from 21 mA signals a
failure); the recommendation itself was not read.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

PT100_LOWEST, PT100_HIGHEST = -200.0, 850.0
_R0, _A, _B, _C = 100.0, 3.9083e-3, -5.775e-7, -4.183e-12
#: A printed table value at an end of the range may lie outside by half its last digit; it counts as the end.
_TABLE_OHM, _TABLE_MV = 0.005, 0.0005
#: A root is found to within this many kelvin: far below any sensor, far above rounding.
_ROOT_WIDTH = 1e-9


class ThermocoupleType(StrEnum):
    """Letter of a thermocouple pair."""

    J = "J"
    K = "K"


@dataclass(frozen=True, slots=True)
class _Piece:
    """One range of a reference function: coefficients c0, c1, ... in mV/degC^i, and a Gaussian a0, a1, a2."""

    low: float
    high: float
    coefficients: tuple[float, ...]
    gaussian: tuple[float, float, float] | None = None

    def value(self, temperature: float) -> float:
        total = 0.0
        for coefficient in reversed(self.coefficients):
            total = total * temperature + coefficient
        if self.gaussian is not None:
            height, curvature, centre = self.gaussian
            total += height * math.exp(curvature * (temperature - centre) ** 2)
        return total


_REFERENCE: Mapping[ThermocoupleType, tuple[_Piece, ...]] = MappingProxyType(
    {
        ThermocoupleType.J: (
            _Piece(-210.0, 760.0,
                   (0.0, 0.503811878150e-1, 0.304758369300e-4, -0.856810657200e-7, 0.132281952950e-9,
                    -0.170529583370e-12, 0.209480906970e-15, -0.125383953360e-18, 0.156317256970e-22)),
            _Piece(760.0, 1200.0,
                   (0.296456256810e3, -0.149761277860e1, 0.317871039240e-2, -0.318476867010e-5, 0.157208190040e-8,
                    -0.306913690560e-12)),
        ),
        ThermocoupleType.K: (
            _Piece(-270.0, 0.0,
                   (0.0, 0.394501280250e-1, 0.236223735980e-4, -0.328589067840e-6, -0.499048287770e-8,
                    -0.675090591730e-10, -0.574103274280e-12, -0.310888728940e-14, -0.104516093650e-16,
                    -0.198892668780e-19, -0.163226974860e-22)),
            _Piece(0.0, 1372.0,
                   (-0.176004136860e-1, 0.389212049750e-1, 0.185587700320e-4, -0.994575928740e-7, 0.318409457190e-9,
                    -0.560728448890e-12, 0.560750590590e-15, -0.320207200030e-18, 0.971511471520e-22,
                    -0.121047212750e-25),
                   (0.118597600000, -0.118343200000e-3, 0.126968600000e3)),
        ),
    }
)  # fmt: skip


def _in_range(what: str, value: float, low: float, high: float, unit: str, *, slack: float = 0.0) -> None:
    if not low - slack <= value <= high + slack:  # NaN is refused too
        raise ValueError(f"{what} {value!r} {unit}; expected {low:g} to {high:g} {unit}")


def _root(function: Callable[[float], float], wanted: float, low: float, high: float) -> float:
    """Return where a rising function takes the wanted value, by halving low..high."""
    while high - low > _ROOT_WIDTH:
        middle = 0.5 * (low + high)
        if function(middle) < wanted:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def pt100_resistance(temperature: float) -> float:
    """Return the resistance in Ohm of a Pt100 at `temperature` in degC (Callendar-Van Dusen, IEC 60751).

    Raises ValueError outside -200..850 degC.
    """
    _in_range("Pt100 temperature", temperature, PT100_LOWEST, PT100_HIGHEST, "degC")
    t = temperature
    below = _C * (t - 100.0) * t**3 if t < 0.0 else 0.0
    return _R0 * (1.0 + _A * t + _B * t**2 + below)


def pt100_temperature(resistance: float) -> float:
    """Return the temperature in degC of a Pt100 of `resistance` in Ohm.

    Above 0 degC by the quadratic formula, below by the root of the reference function. Raises ValueError
    outside the resistances of -200..850 degC.
    """
    lowest, highest = pt100_resistance(PT100_LOWEST), pt100_resistance(PT100_HIGHEST)
    _in_range("Pt100 resistance", resistance, lowest, highest, "Ohm", slack=_TABLE_OHM)
    if resistance < _R0:
        return _root(pt100_resistance, resistance, PT100_LOWEST, 0.0)
    discriminant = _A**2 - 4.0 * _B * (1.0 - resistance / _R0)
    return min(PT100_HIGHEST, (math.sqrt(discriminant) - _A) / (2.0 * _B))


def thermocouple_range(kind: ThermocoupleType) -> tuple[float, float]:
    """Return the lowest and highest temperature of the reference function, in degC."""
    pieces = _REFERENCE[kind]
    return pieces[0].low, pieces[-1].high


def thermocouple_voltage(kind: ThermocoupleType, temperature: float, reference: float = 0.0) -> float:
    """Return the voltage in mV of a junction at `temperature` against one at `reference`, both in degC.

    Raises ValueError outside the range of the reference function.
    """
    return _emf(kind, temperature) - (_emf(kind, reference) if reference else 0.0)


def thermocouple_temperature(kind: ThermocoupleType, voltage: float, reference: float = 0.0) -> float:
    """Return the temperature in degC of a junction giving `voltage` in mV against one at `reference`.

    Raises ValueError when no temperature of the reference function gives that voltage.
    """
    low, high = thermocouple_range(kind)
    wanted = voltage + (_emf(kind, reference) if reference else 0.0)
    lowest, highest = _emf(kind, low), _emf(kind, high)
    _in_range(f"type {kind} voltage against 0 degC", wanted, lowest, highest, "mV", slack=_TABLE_MV)
    return _root(lambda temperature: _emf(kind, temperature), wanted, low, high)


def _emf(kind: ThermocoupleType, temperature: float) -> float:
    low, high = thermocouple_range(kind)
    _in_range(f"type {kind} temperature", temperature, low, high, "degC")
    first, second = _REFERENCE[kind]
    return (first if temperature <= first.high else second).value(temperature)


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


MEASURING_LOW = 3.8e-3
MEASURING_HIGH = 20.5e-3
FAILURE_LOW = 3.6e-3
FAILURE_HIGH = 21e-3
