"""The capacitor at the limit of a supply: its closed form against the published special functions."""

from __future__ import annotations

import math

import pytest
from hilseq_sim.world.feeding import _above, _below
from scipy.special import lambertw, wrightomega


@pytest.mark.parametrize("reported", [-60.0, -3.0, 0.0, 0.9, 1.0, 1.1, 5.0, 60.0, 1e3, 1e8])
def test_above_the_balance_it_is_the_wright_omega_function(reported: float) -> None:
    """W + ln w = t, against scipy's (Lawrence, Corless and Jeffrey, ACM TOMS 38, 2012, algorithm 917)."""
    assert _above(reported) == pytest.approx(float(wrightomega(reported)), rel=1e-13)


@pytest.mark.parametrize("reported", [-600.0, -30.0, -3.0, -1.5, -1.1, -1.001])
def test_below_the_balance_it_is_lamberts_w(reported: float) -> None:
    """Return m of ln m - m = t, against scipy's lambertw (Corless et al., "On the Lambert W function", 1996)."""
    assert _below(reported) == pytest.approx(-float(lambertw(-math.exp(reported)).real), rel=1e-12)


def test_the_ends_are_reached() -> None:
    """Nothing left far below, and all of it at the balance itself."""
    assert _above(-800.0) == 0.0
    assert _below(math.nextafter(-1.0, -2.0)) == pytest.approx(1.0, abs=1e-7)
