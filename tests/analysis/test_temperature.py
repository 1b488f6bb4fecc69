"""Pt100 and thermocouples, both ways; the bands of a current loop."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilseq.analysis.sensors import (
    FAILURE_HIGH,
    FAILURE_LOW,
    MEASURING_HIGH,
    MEASURING_LOW,
    ThermocoupleType,
    pt100_resistance,
    pt100_temperature,
    thermocouple_range,
    thermocouple_temperature,
    thermocouple_voltage,
)

kinds = st.sampled_from(list(ThermocoupleType))


@pytest.mark.parametrize(
    ("celsius", "printed", "recomputed"),
    [
        (-200, 18.52, 18.5201),
        (-100, 60.26, 60.2558),
        (-50, 80.31, 80.3063),
        (0, 100.00, 100.0000),
        (50, 119.40, 119.3971),
        (100, 138.51, 138.5055),
        (200, 175.86, 175.8560),
        (400, 247.09, 247.0920),
        (500, 280.98, 280.9775),
        (600, 313.71, 313.7080),
        (850, 390.48, 390.4811),
    ],
)
def test_pt100_table(celsius: float, printed: float, recomputed: float) -> None:
    """The IEC 60751 reference table (check 4.2, sensorsci.com; 850 degC: check 4.3, from memory)."""
    resistance = pt100_resistance(celsius)
    assert round(resistance, 2) == printed
    assert resistance == pytest.approx(recomputed, abs=5.1e-5)
    assert pt100_temperature(printed) == pytest.approx(celsius, abs=0.017)  # half a last digit, in K


@given(st.floats(-200.0, 850.0))
def test_pt100_is_inverse(celsius: float) -> None:
    """Resistance and back gives the temperature within a microkelvin, on both sides of 0 degC."""
    assert pt100_temperature(pt100_resistance(celsius)) == pytest.approx(celsius, abs=1e-6)


@pytest.mark.parametrize(
    ("letter", "celsius", "millivolts"),
    [
        # Check 4.7: instrumentation.com table 9, thermibel.be, a page quoting NIST inverse ranges.
        ("K", -270, -6.458),
        ("K", -200, -5.891),
        ("K", -150, -4.913),
        ("K", 350, 14.293),
        ("K", 500, 20.644),
        ("K", 1372, 54.886),
        # Check 4.8: NIST ITS-90 tables, from memory; recomputed.
        ("K", 25, 1.000),
        ("K", 100, 4.096),
        ("K", 200, 8.138),
        ("K", 1000, 41.276),
        # Check 4.9: published inverse-polynomial sheet, thermibel.be.
        ("J", -210, -8.095),
        ("J", 350, 19.090),
        ("J", 760, 42.919),
        ("J", 1200, 69.553),
        # Check 4.10: NIST ITS-90 tables, from memory; recomputed.
        ("J", 25, 1.277),
        ("J", 100, 5.269),
        ("J", 200, 10.779),
        ("J", 500, 27.393),
    ],
)
def test_published_thermocouple_tables(letter: str, celsius: float, millivolts: float) -> None:
    """Table values to their last digit, and back within what half of that digit is in kelvin."""
    kind = ThermocoupleType(letter)
    assert thermocouple_voltage(kind, celsius) == pytest.approx(millivolts, abs=5.1e-4)
    assert thermocouple_temperature(kind, millivolts) == pytest.approx(celsius, abs=0.05)


# Generated with the PyPI library thermocouples_reference 0.20 (NumPy 1.26), which carries the NIST ITS-90
# functions by itself; rounded to 0.1 nV. Every range, both sides of each join.
INDEPENDENT = [
    ("J", -210.0, -8.0953796),
    ("J", -150.0, -6.4997766),
    ("J", -60.0, -2.8927940),
    ("J", -1.0, -0.0503506),
    ("J", 0.0, 0.0000000),
    ("J", 1.0, 0.0504116),
    ("J", 150.0, 8.0099049),
    ("J", 400.0, 21.8480650),
    ("J", 700.0, 39.1318252),
    ("J", 759.9, 42.9122495),
    ("J", 760.0, 42.9186413),
    ("J", 760.1, 42.9250335),
    ("J", 900.0, 51.8772831),
    ("J", 1050.0, 60.8903061),
    ("J", 1199.0, 69.4959322),
    ("K", -270.0, -6.4577380),
    ("K", -250.0, -6.4036064),
    ("K", -120.0, -4.1382115),
    ("K", -40.0, -1.5269480),
    ("K", -0.5, -0.0197191),
    ("K", 0.0, 0.0000000),
    ("K", 0.5, 0.0197312),
    ("K", 60.0, 2.4364716),
    ("K", 127.0, 5.2060930),
    ("K", 250.0, 10.1533688),
    ("K", 400.0, 16.3971419),
    ("K", 700.0, 29.1289739),
    ("K", 850.0, 35.3131063),
    ("K", 1200.0, 48.8382379),
    ("K", 1371.0, 54.8524728),
]


@pytest.mark.parametrize(("letter", "celsius", "millivolts"), INDEPENDENT)
def test_thermocouples_agree_with_an_independent_library(
    letter: str, celsius: float, millivolts: float
) -> None:
    """The whole reference function agrees to a tenth of a nanovolt with another implementation."""
    assert thermocouple_voltage(ThermocoupleType(letter), celsius) == pytest.approx(millivolts, abs=5.1e-8)


@given(kinds, st.floats(0.0, 1.0), st.floats(0.0, 50.0))
def test_thermocouples_are_inverse(kind: ThermocoupleType, share: float, reference: float) -> None:
    """Voltage and back gives the temperature, over the whole range and with any reference junction."""
    low, high = thermocouple_range(kind)
    celsius = low + share * (high - low)
    voltage = thermocouple_voltage(kind, celsius, reference)
    assert thermocouple_temperature(kind, voltage, reference) == pytest.approx(celsius, abs=1e-6)


@given(kinds, st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_thermocouple_curves_rise(kind: ThermocoupleType, one: float, other: float) -> None:
    """Hotter gives more voltage everywhere, joins included: without that the inverse would be ambiguous."""
    low, high = thermocouple_range(kind)
    cold, hot = sorted(low + share * (high - low) for share in (one, other))
    assert thermocouple_voltage(kind, cold) <= thermocouple_voltage(kind, hot) + 1e-8


def test_reference_junction_is_subtracted() -> None:
    """Equal junctions give nothing, and a warm terminal block lowers the voltage by its own."""
    kind = ThermocoupleType.K
    assert thermocouple_voltage(kind, 23.0, 23.0) == 0.0
    assert thermocouple_voltage(kind, 100.0, 25.0) == pytest.approx(4.0962 - 1.0002, abs=1e-4)
    assert thermocouple_temperature(kind, 0.0, 23.0) == pytest.approx(23.0, abs=1e-6)


@pytest.mark.parametrize("value", [-200.1, 850.1, math.nan])
def test_pt100_out_of_range_is_refused(value: float) -> None:
    """Outside -200..850 degC no resistance is invented."""
    with pytest.raises(ValueError, match=r"Pt100 temperature .* degC; expected -200 to 850 degC"):
        pt100_resistance(value)


def test_broken_sensors_are_refused() -> None:
    """A shorted or open Pt100, and a voltage no junction gives, are errors and no temperatures."""
    with pytest.raises(ValueError, match=r"Pt100 resistance 0\.0 Ohm; expected 18\.5201 to 390\.481 Ohm"):
        pt100_temperature(0.0)
    with pytest.raises(ValueError, match="Pt100 resistance 1000000"):
        pt100_temperature(1e6)
    with pytest.raises(ValueError, match=r"type K voltage against 0 degC 55\.0 mV; expected"):
        thermocouple_temperature(ThermocoupleType.K, 55.0)
    with pytest.raises(ValueError, match=r"type J temperature -211\.0 degC; expected -210 to 1200 degC"):
        thermocouple_voltage(ThermocoupleType.J, -211.0)


def test_namur_bands() -> None:
    """Measuring 3.8..20.5 mA, failure up to 3.6 and from 21 mA (check 3.11, secondary sources on NE 43)."""
    assert (FAILURE_LOW, MEASURING_LOW, MEASURING_HIGH, FAILURE_HIGH) == (3.6e-3, 3.8e-3, 20.5e-3, 21e-3)
