"""What field sensors say: Pt100 (IEC 60751), thermocouples (ITS-90), and the 4-20 mA bands of NE 43."""

from __future__ import annotations

import math

from hilseq_sim.world.curves import bisect

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
