"""Analog channels, and what field sensors say to them.

Sensors: Pt100 (IEC 60751), thermocouples (ITS-90), the 4-20 mA bands of NE 43. A good channel's error at a value x is
L(x) (o + g u + n (1 - u²) + d (T - 25)/40) + noise, where L(x) is the profile's largest error there, u runs from -1 to
1 over the range, and |o|, |g|, |n|, |d| are drawn so that the sum fills at most 0.65 of L. Inputs have a first order
lag. A 4-20 mA output stays within the measuring band of NE 43 while it is driven and in its failure band while it is
not; an input can tell both failures.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache

from hilseq.description.points import AnalogPoint
from hilseq.quantities import SYMBOLS, AccuracyTerms, QuantityError, accuracy_of_channel, base_unit
from hilseq_sim.defects.change import Change, Swap
from hilseq_sim.world.draw import Noise, Streams
from hilseq_sim.world.timeline import Approach, Timeline, bisect

# IEC 60751: R(t) = R0 (1 + A t + B t² + C (t - 100) t³), C only below 0 degC; R0 = 100 Ohm (check value 4.1).
_A, _B, _C = 3.9083e-3, -5.775e-7, -4.183e-12
_R0 = 100.0
PT100_RANGE = (-200.0, 850.0)


def pt100_resistance(celsius: float) -> float:
    """Resistance of a Pt100, Ohm (IEC 60751, 4.2)."""
    t = celsius
    ratio = 1.0 + _A * t + _B * t * t
    if t < 0.0:
        ratio += _C * (t - 100.0) * t**3
    return _R0 * ratio


def pt100_temperature(ohms: float) -> float:
    """Temperature of a Pt100, degC, ends of the range where it lies beyond (inverse of IEC 60751, 4.2)."""
    low, high = PT100_RANGE
    if ohms <= pt100_resistance(low):
        return low
    if ohms >= pt100_resistance(high):
        return high
    if ohms >= _R0:
        return (-_A + math.sqrt(_A * _A - 4.0 * _B * (1.0 - ohms / _R0))) / (2.0 * _B)
    return bisect(lambda t: pt100_resistance(t) - ohms, low, 0.0)


# NIST ITS-90 polynomials E = sum c_i t^i, mV; type K above 0 degC adds a0 e^(a1 (t - a2)²)
# (its90.nist.gov/RefFunctions, check values 4.7 to 4.12). Each: up to which degC, and the coefficients.
_K = (
    (0.0, (0.0, 0.394501280250e-01, 0.236223735980e-04, -0.328589067840e-06, -0.499048287770e-08,
           -0.675090591730e-10, -0.574103274280e-12, -0.310888728940e-14, -0.104516093650e-16,
           -0.198892668780e-19, -0.163226974860e-22)),
    (1372.0, (-0.176004136860e-01, 0.389212049750e-01, 0.185587700320e-04, -0.994575928740e-07,
              0.318409457190e-09, -0.560728448890e-12, 0.560750590590e-15, -0.320207200030e-18,
              0.971511471520e-22, -0.121047212750e-25)),
)  # fmt: skip
_K_BELL = (0.118597600000, -0.118343200000e-03, 126.9686)
_J = (
    (760.0, (0.0, 0.503811878150e-01, 0.304758369300e-04, -0.856810657200e-07, 0.132281952950e-09,
             -0.170529583370e-12, 0.209480906970e-15, -0.125383953360e-18, 0.156317256970e-22)),
    (1200.0, (0.296456256810e+03, -0.149761277860e+01, 0.317871039240e-02, -0.318476867010e-05,
              0.157208190040e-08, -0.306913690560e-12)),
)  # fmt: skip
THERMOCOUPLE_RANGES = {"J": (-210.0, 1200.0), "K": (-200.0, 1372.0)}
_TABLES = {"J": _J, "K": _K}


def thermocouple_voltage(letter: str, celsius: float) -> float:
    """Voltage of a thermocouple of type J or K with its cold junction at 0 degC, mV."""
    t = celsius
    table = _TABLES[letter]
    coefficients = next((c for top, c in table if t <= top), table[-1][1])
    volts = 0.0
    for coefficient in reversed(coefficients):
        volts = volts * t + coefficient
    if letter == "K" and t > 0.0:
        scale, rate, centre = _K_BELL
        volts += scale * math.exp(rate * (t - centre) ** 2)
    return volts


def thermocouple_temperature(letter: str, millivolts: float) -> float:
    """Temperature of a thermocouple, degC, ends of the range where it lies beyond."""
    low, high = THERMOCOUPLE_RANGES[letter]
    if millivolts <= thermocouple_voltage(letter, low):
        return low
    if millivolts >= thermocouple_voltage(letter, high):
        return high
    return bisect(lambda t: thermocouple_voltage(letter, t) - millivolts, low, high)


# NAMUR NE 43 (check values 3.11, 3.14), mA: a measurement lies within the first; failure is at most the
# first or at least the second of the other.
LOOP_MEASURING = (3.8, 20.5)
LOOP_FAILED = (3.6, 21.0)


#: Largest shares of the accuracy that a good channel's own errors take: offset, gain, bend, drift, noise.
_OFFSET, _GAIN, _BEND, _DRIFT, _NOISE = 0.18, 0.18, 0.12, 0.1, 0.05
#: degC at which channels are adjusted, and K over which the drift is stated.
_ADJUSTED_AT, _DRIFT_OVER = 25.0, 40.0
#: Time constants in the settling time of a channel.
_LAGS = 14.0

#: kind -> symbol of the value, range of the value, what the converter can still tell
_KINDS = {
    "4..20 mA": ("mA", (4.0, 20.0), (0.0, 22.5)),
    "0..20 mA": ("mA", (0.0, 20.0), (0.0, 22.5)),
    "0..10 V": ("V", (0.0, 10.0), (0.0, 11.0)),
    "Pt100": ("degC", PT100_RANGE, PT100_RANGE),
    "thermocouple J": ("degC", THERMOCOUPLE_RANGES["J"], THERMOCOUPLE_RANGES["J"]),
    "thermocouple K": ("degC", THERMOCOUPLE_RANGES["K"], THERMOCOUPLE_RANGES["K"]),
}


@cache  # a handful of symbols, asked for at every reading
def factor_between(symbol: str, other: str) -> float:
    """Return how many `other` one `symbol` is; 1 when either is empty or they are of different dimensions."""
    one, two = SYMBOLS.get(symbol), SYMBOLS.get(other)
    if one is None or two is None or one[0] != two[0]:
        return 1.0
    return one[1] / two[1]


def accuracy_in(text: str | None, symbol: str) -> AccuracyTerms:
    """Return an accuracy text with its fixed part in `symbol`; none is an ideal channel."""
    if text is None:
        return AccuracyTerms()
    try:
        terms = accuracy_of_channel(text, symbol)
    except QuantityError:
        return AccuracyTerms()  # in the unit of a register that holds a plain number
    return AccuracyTerms(terms.of_reading, terms.of_range, terms.fixed / base_unit(symbol)[1])


class AnalogChannel:
    """One analog input or output. Values in mA, V or degC; the `…_error` are defects, in accuracies."""

    def __init__(
        self,
        name: str,
        point: AnalogPoint,
        timeline: Timeline,
        streams: Streams,
        case: Callable[[], float],
        *,
        slot: str,
    ) -> None:
        self.name = name
        self.kind = point.kind
        self.symbol, (self.low, self.high), self._converter = _KINDS[point.kind]
        self._accuracy = accuracy_in(point.accuracy, self.symbol)
        self._timeline = timeline
        self._case = case
        even = streams.of(slot, "analog", name).uniform
        self._own = (even(-_OFFSET, _OFFSET), even(-_GAIN, _GAIN), even(-_BEND, _BEND), even(-_DRIFT, _DRIFT))
        self._noise = Noise(timeline, 1.0, streams.seed, slot, "analog", name)
        self.offset_error = 0.0
        self.gain_error = 0.0
        self.bend_error = 0.0
        self.drift_error = 0.0
        self.noise_error = 0.0
        self.dead = 0
        self._driven = False
        start = max(self._converter[0], min(self._converter[1], 0.0))
        self.value = Approach(start, max(point.settle, 1e-3) / _LAGS)
        symbol = point.register_.unit
        self.percent = symbol == "%"
        self.per_register = factor_between(symbol, self.symbol) if symbol else 1.0

    # -- the terminal ------------------------------------------------------------------------------

    def drive(self, value: float, symbol: str) -> None:
        """Put a current, voltage or resistance (in `symbol`) on the terminal; degC drives a calibrator."""
        low, high = self._converter
        self.value.aim(max(low, min(high, self._from_terminal(value, symbol))), self._timeline.now)

    def terminal(self, symbol: str) -> float:
        """Return what an output puts on its terminal now, in `symbol`; it decays when it is not driven."""
        value = self.value.at(self._timeline.now)
        if self._driven:
            value = self._spoilt(value)
        if self.symbol != "degC" or symbol == "degC":
            return value * factor_between(self.symbol, symbol)
        if self.kind == "Pt100":
            return pt100_resistance(value) * factor_between("Ohm", symbol)
        return thermocouple_voltage(self.kind[-1], value) * factor_between("mV", symbol)

    def _from_terminal(self, value: float, symbol: str) -> float:
        if self.symbol != "degC" or symbol == "degC":
            return value * factor_between(symbol, self.symbol)
        if self.kind == "Pt100":
            return pt100_temperature(value * factor_between(symbol, "Ohm"))
        return thermocouple_temperature(self.kind[-1], value * factor_between(symbol, "mV"))

    # -- the register ------------------------------------------------------------------------------

    def reading(self) -> float:
        """Return what an input reports, in the unit of its register."""
        low, high = self._converter
        value = max(low, min(high, self._spoilt(self.value.at(self._timeline.now))))
        if self.percent:
            return (value - self.low) / (self.high - self.low) * 100.0
        return value / self.per_register

    def set(self, value: float) -> None:
        """Let an output put out a value, in the unit of its register."""
        wanted = (
            self.low + value / 100.0 * (self.high - self.low) if self.percent else value * self.per_register
        )
        low, high = LOOP_MEASURING if self.kind == "4..20 mA" else self._converter
        self.value.aim(max(low, min(high, wanted)), self._timeline.now)

    def drive_output(self, value: float, *, driven: bool) -> None:
        """Follow the setting of an output while it is driven, nothing otherwise."""
        if driven:
            self.set(value)
        else:
            low, high = self._converter
            self.value.aim(max(low, min(high, 0.0)), self._timeline.now)
        self._driven = driven

    def only_wrong_by(self, share: float) -> list[Change]:
        """Return what leaves it no error but an even share of its accuracy, which its noise reaches at most."""
        return [Swap(self, "_own", (share - math.copysign(_NOISE, share), 0.0, 0.0, 0.0))]

    def limit(self, value: float) -> float:
        """Largest error that the profile allows at a value."""
        return self._accuracy.limit(value, self.high - self.low)

    def _spoilt(self, value: float) -> float:
        if self.dead:
            low, high = self._converter
            return low if self.symbol == "degC" else max(low, min(high, 0.0))
        span = self.high - self.low
        u = 2.0 * (value - self.low) / span - 1.0
        warm = (self._case() - _ADJUSTED_AT) / _DRIFT_OVER
        offset, gain, bend, drift = self._own
        # written out where max and min would do: this is read in every sample of a soak
        own = offset + (gain * u + bend * (1.0 - u * u) if -1.0 < u < 1.0 else gain if u > 0.0 else -gain)
        own += drift * (warm if -1.0 < warm < 1.0 else 1.0 if warm > 0.0 else -1.0) + _NOISE * self._noise()
        error = self.limit(value) * own
        if self.offset_error or self.gain_error or self.bend_error or self.drift_error or self.noise_error:
            extra = self.offset_error + self.gain_error * 0.5 * (u + 1.0)
            extra += self.bend_error * max(0.0, 1.0 - u * u) + self.drift_error * warm
            extra += self.noise_error * self._noise()
            error += self.limit(self.high) * extra
        return value + error
