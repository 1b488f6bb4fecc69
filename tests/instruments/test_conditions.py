"""Age and temperature since the calibration: counted where the stand file says how much, and nowhere else."""

from __future__ import annotations

import math
from datetime import date
from functools import partial

import pytest

from hilseq.description.accuracy import HOLDS, InstrumentConditions
from hilseq.description.calibration import Calibration
from tests.instruments.conftest import SteppedClock

DUE = date(2030, 1, 1)


def _calibration(**fields: object) -> Calibration:
    return Calibration.model_validate({"due": DUE, **fields})


def test_nothing_stated_nothing_added(clock: SteppedClock) -> None:
    """A calibration that states neither, or no calibration at all, adds nothing and asks no thermometer."""

    def ask() -> float:
        raise AssertionError("the thermometer was asked")

    conditions = InstrumentConditions(clock, ask)
    assert conditions.uncertainty(None, 24.0) == 0.0
    assert conditions.uncertainty(_calibration(done=date(2025, 1, 1)), 24.0) == 0.0


def test_drift_grows_with_the_age(clock: SteppedClock) -> None:
    """100 ppm a year, two years after the calibration, at 24 V: 4.8 mV at most, rectangular (GUM 4.3.7)."""
    calibration = _calibration(done=date(2024, 1, 1), drift="100 ppm")
    found = InstrumentConditions(clock).uncertainty(calibration, -24.0)  # the clock says 2026-01-01
    assert found == pytest.approx(24.0 * 200e-6 / math.sqrt(3), rel=2e-3)


def test_temperature_counts_from_that_of_the_calibration(clock: SteppedClock) -> None:
    """50 ppm per kelvin, 10 K away in either direction: 12 mV at 24 V; unknown temperature adds nothing."""
    calibration = _calibration(**{"per-kelvin": "50 ppm", "temperature": "20 degC"})
    for warm in (10.0, 30.0):
        found = InstrumentConditions(clock, partial(float, warm)).uncertainty(calibration, 24.0)
        assert found == pytest.approx(24.0 * 500e-6 / math.sqrt(3))
    assert InstrumentConditions(clock).uncertainty(calibration, 24.0) == 0.0


def test_the_thermometer_is_asked_once_a_minute(clock: SteppedClock) -> None:
    """A look holds for a while, and no longer."""
    asked: list[float] = []

    def ask() -> float:
        asked.append(clock.time)
        return 30.0

    conditions = InstrumentConditions(clock, ask)
    calibration = _calibration(**{"per-kelvin": "50 ppm"})
    for _ in range(3):
        conditions.uncertainty(calibration, 1.0)
    assert asked == [0.0]
    clock.sleep(HOLDS + 1.0)
    conditions.uncertainty(calibration, 1.0)
    assert asked == [0.0, HOLDS + 1.0]
