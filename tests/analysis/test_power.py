"""Hold-up, charging, first-order response, and sampled current waveforms."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilseq.analysis.power import (
    as_waveform,
    charge_time,
    energy,
    first_order_share,
    first_order_time,
    hold_up_capacitance,
    hold_up_time,
    inrush,
    rise_time,
    usable_share,
)


@pytest.mark.parametrize(("power", "microfarads"), [(200.0, 114.286), (100.0, 57.143)])
def test_hold_up_capacitance(power: float, microfarads: float) -> None:
    """400 to 300 V for 20 ms (check 9.1, vbatpower.com and infoneva.com; recomputed)."""
    assert hold_up_capacitance(power, 0.020, 400.0, 300.0) == pytest.approx(microfarads * 1e-6, rel=1e-5)


@pytest.mark.parametrize(("start", "milliseconds"), [(24.0, 48.73), (20.4, 11.17)])
def test_hold_up_time_at_24_volts(start: float, milliseconds: float) -> None:
    """4700 uF feed 10 W down to 19.2 V (check 9.2, recomputed)."""
    assert hold_up_time(4700e-6, 10.0, start, 19.2) == pytest.approx(milliseconds * 1e-3, rel=5e-4)


def test_capacitance_for_a_ps2_interruption() -> None:
    """10 ms at 10 W from 20.4 to 18 V take 2170 uF (check 9.2, recomputed)."""
    assert hold_up_capacitance(10.0, 0.010, 20.4, 18.0) == pytest.approx(2170e-6, rel=5e-4)


@pytest.mark.parametrize(("start", "end", "share"), [(390.0, 300.0, 0.408), (1.0, 0.9, 0.190)])
def test_usable_share(start: float, end: float, share: float) -> None:
    """390 to 300 V gives up 40.8 %, a fall by a tenth 19 % (check 9.3, huntsvilleengineers.com)."""
    assert usable_share(start, end) == pytest.approx(share, abs=5e-4)


@given(st.floats(1e-6, 1.0), st.floats(0.1, 1e3), st.floats(1.0, 400.0), st.floats(0.0, 0.99))
def test_hold_up_time_and_capacitance_are_inverse(
    capacitance: float, power: float, start: float, share: float
) -> None:
    """The capacitance for the time a capacitor holds is that capacitor."""
    time = hold_up_time(capacitance, power, start, share * start)
    assert hold_up_capacitance(power, time, start, share * start) == pytest.approx(capacitance, rel=1e-9)


def test_constant_current_charge() -> None:
    """1000 uF rise by 24 V in 24 ms at 1 A: t = C dV / I."""
    assert charge_time(1000e-6, 1.0, 24.0) == pytest.approx(0.024)


@pytest.mark.parametrize(
    ("multiple", "percent"), [(1, 63.21), (2, 86.47), (3, 95.02), (4, 98.17), (5, 99.33)]
)
def test_first_order_response(multiple: float, percent: float) -> None:
    """1 to 5 time constants (check 9.4, dubiumlabs.com; recomputed; one course text misprints 95.1)."""
    assert 100.0 * first_order_share(multiple * 0.2, 0.2) == pytest.approx(percent, abs=5e-3)


def test_rise_time() -> None:
    """10 % to 90 % takes 2.197 ms for a time constant of 1 ms (check 9.5)."""
    assert rise_time(1e-3) == pytest.approx(2.1972e-3, rel=1e-4)


@given(st.floats(0.0, 0.999999), st.floats(1e-6, 1e6))
def test_share_and_time_are_inverse(share: float, tau: float) -> None:
    """The share made after the time for a share is that share."""
    assert first_order_share(first_order_time(share, tau), tau) == pytest.approx(share, abs=1e-12)


def test_nothing_happens_before_the_step() -> None:
    """Before the step the response is 0, after for ever it is 1."""
    assert first_order_share(-1.0, 1.0) == 0.0
    assert first_order_share(math.inf, 1.0) == 1.0


def test_inrush_of_a_charging_capacitor() -> None:
    """24 V through 2 Ohm into 1000 uF: peak 12 A, charge 24 mAs, I2t = I^2 tau / 2 = 144 mA2s."""
    tau = 2e-3
    times = [step * 1e-5 for step in range(4000)]  # 20 time constants
    found = inrush(times, [12.0 * math.exp(-time / tau) for time in times])
    assert (found.peak, found.peak_time) == (12.0, 0.0)
    assert found.charge == pytest.approx(24e-3, rel=1e-5)
    assert found.square == pytest.approx(0.144, rel=1e-4)


def test_steady_current_is_not_inrush() -> None:
    """Only what lies above the steady current is charge of the inrush; the peak is what was seen."""
    found = inrush([0.0, 1.0, 2.0, 4.0], [0.5, 2.5, 0.5, 0.5], steady=0.5)
    assert (found.peak, found.peak_time) == (2.5, 1.0)
    assert found.charge == pytest.approx(2.0)
    assert inrush([0.0, 1.0, 2.0, 4.0], [0.5, 2.5, 0.5, 0.5]).charge == pytest.approx(4.0)


def test_energy_of_crossing_ramps_is_exact() -> None:
    """Voltage rising 0..1 V while current falls 1..0 A over 1 s is 1/6 J, where means would give 1/4."""
    assert energy([0.0, 1.0], [0.0, 1.0], [1.0, 0.0]) == pytest.approx(1.0 / 6.0)
    assert energy([0.0, 2.0, 3.0], [24.0] * 3, [0.5] * 3) == pytest.approx(36.0)


@pytest.mark.parametrize(
    ("attempt", "words"),
    [
        (lambda: hold_up_time(0.0, 10.0, 24.0, 19.2), r"capacitance in F 0\.0; expected"),
        (lambda: hold_up_time(1e-3, 10.0, 19.2, 24.0), r"voltage from 19\.2 to 24\.0 V; expected it to fall"),
        (lambda: hold_up_time(1e-3, -1.0, 24.0, 19.2), r"power in W -1\.0; expected"),
        (lambda: usable_share(24.0, math.nan), r"voltage from 24\.0 to nan V"),
        (lambda: charge_time(1e-3, 0.0, 24.0), r"current in A 0\.0; expected"),
        (lambda: first_order_share(math.nan, 1.0), "time nan s; expected a number"),
        (lambda: first_order_time(1.0, 1.0), r"share 1\.0 of a step; expected"),
        (lambda: as_waveform([0.0], [1.0]), "1 samples at 1 times; expected 2 or more"),
        (lambda: as_waveform([0.0, 1.0], [1.0, 2.0, 3.0]), "3 samples at 2 times; expected"),
        (lambda: as_waveform([0.0, 1.0, 1.0], [1.0] * 3), "time 1 s after 1 s; expected rising times"),
        (lambda: as_waveform([0.0, 1.0], [1.0, math.nan]), "holds NaN or infinity"),
    ],
)
def test_nonsense_is_refused_in_words(attempt: object, words: str) -> None:
    """Each impossible input is an error naming the value and what was expected."""
    assert callable(attempt)
    with pytest.raises(ValueError, match=words):
        attempt()
