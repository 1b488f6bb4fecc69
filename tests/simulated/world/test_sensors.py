"""Sensors against published tables: check values of topics 3 and 4."""

from __future__ import annotations

import pytest
from hilseq_sim.world.analog import (
    pt100_resistance,
    pt100_temperature,
    thermocouple_temperature,
    thermocouple_voltage,
)
from hypothesis import given
from hypothesis import strategies as st

# check value 4.2: sensorsci.com reference table (IEC 751:1995-07), two decimals
PT100_TABLE = [(-200, 18.52), (-100, 60.26), (-50, 80.31), (0, 100.00), (50, 119.40), (100, 138.51),
               (200, 175.86), (400, 247.09), (500, 280.98), (600, 313.71)]  # fmt: skip
# check value 4.2, recomputed with the coefficients of 4.1
PT100_EXACT = [
    (-200, 18.5201),
    (-100, 60.2558),
    (-50, 80.3063),
    (50, 119.3971),
    (100, 138.5055),
    (600, 313.7080),
]
# check values 4.7 (instrumentation.com Table 9; thermibel.be; NIST ranges) and 4.8 (recomputed)
TYPE_K = [(-200, -5.891), (-150, -4.913), (350, 14.293), (500, 20.644), (1372, 54.886), (25, 1.0002),
          (100, 4.0962), (200, 8.1385), (1000, 41.2756)]  # fmt: skip
# check values 4.9 (inverse-polynomial sheet; thermibel.be) and 4.10 (recomputed)
TYPE_J = [(-210, -8.095), (350, 19.090), (760, 42.919), (1200, 69.553), (25, 1.2773), (100, 5.2689),
          (200, 10.7787), (500, 27.3926)]  # fmt: skip


@pytest.mark.parametrize(("celsius", "ohms"), PT100_TABLE)
def test_pt100_table(celsius: float, ohms: float) -> None:
    assert pt100_resistance(celsius) == pytest.approx(ohms, abs=0.005)


@pytest.mark.parametrize(("celsius", "ohms"), PT100_EXACT)
def test_pt100_formula(celsius: float, ohms: float) -> None:
    assert pt100_resistance(celsius) == pytest.approx(ohms, abs=5e-5)


def test_pt100_at_its_upper_end() -> None:
    # check value 4.3 (from memory, recomputed)
    assert pt100_resistance(850.0) == pytest.approx(390.4811, abs=5e-5)


@given(st.floats(-200.0, 850.0))
def test_pt100_there_and_back(celsius: float) -> None:
    assert pt100_temperature(pt100_resistance(celsius)) == pytest.approx(celsius, abs=1e-8)


def test_pt100_beyond_its_range_stays_at_the_end() -> None:
    assert pt100_temperature(0.0) == -200.0
    assert pt100_temperature(1e6) == 850.0


@pytest.mark.parametrize(("celsius", "millivolts"), TYPE_K)
def test_thermocouple_k(celsius: float, millivolts: float) -> None:
    assert thermocouple_voltage("K", celsius) == pytest.approx(millivolts, abs=6e-4)


@pytest.mark.parametrize(("celsius", "millivolts"), TYPE_J)
def test_thermocouple_j(celsius: float, millivolts: float) -> None:
    assert thermocouple_voltage("J", celsius) == pytest.approx(millivolts, abs=6e-4)


@given(letter=st.sampled_from("JK"), celsius=st.floats(-190.0, 1190.0))
def test_thermocouples_there_and_back(letter: str, celsius: float) -> None:
    volts = thermocouple_voltage(letter, celsius)
    assert thermocouple_temperature(letter, volts) == pytest.approx(celsius, abs=0.02)
