"""Corrections and uncertainties of a calibration certificate take the place of the data sheet's accuracy."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from pydantic import ValidationError

from hilseq.description.accuracy import certified_signal, of_certificate
from hilseq.description.calibration import Calibration
from hilseq.description.modbus import ModbusSignal

POINTS = [
    {"at": "0 V", "correction": "1 mV", "uncertainty": "2 mV"},
    {"at": "10 V", "correction": "3 mV", "uncertainty": "2 mV"},
    {"at": "20 V", "correction": "-5 mV", "uncertainty": "4 mV"},
]
DATES = {"certificate": "C-77", "done": date(2026, 1, 10), "due": date(2027, 1, 10), "drift": "100 ppm"}


def _calibration(**fields: Any) -> Calibration:
    return Calibration.model_validate(
        DATES | {"points": POINTS} | {k.replace("_", "-"): v for k, v in fields.items()}
    )


def _signal(unit: str = "V", calibration: Any = None, **fields: Any) -> ModbusSignal:
    known = {"io": "rack", "table": "input register", "address": 0, "scale": 0.001, "unit": unit}
    return ModbusSignal.model_validate(known | {"calibration": calibration} | fields)


@pytest.mark.parametrize(
    ("value", "correction", "uncertainty"),
    [(0.0, 1e-3, 1e-3), (5.0, 2e-3, 1e-3), (10.0, 3e-3, 1e-3), (15.0, -1e-3, 2e-3), (20.0, -5e-3, 2e-3)],
)
def test_between_points_the_correction_is_interpolated(
    value: float, correction: float, uncertainty: float
) -> None:
    """By hand: the straight line, and the worse U of the two neighbours over k = 2."""
    found = of_certificate(_calibration(), "points", "voltage", value, "v01")
    assert found is not None
    assert found.correction == pytest.approx(correction)
    assert found.term.value == pytest.approx(uncertainty)
    assert found.term.source == "certificate C-77"


@pytest.mark.parametrize("value", [-0.1, 20.1])
def test_beyond_its_points_a_certificate_says_nothing(value: float) -> None:
    assert of_certificate(_calibration(), "points", "voltage", value, "v01") is None
    assert of_certificate(None, "points", "voltage", value, "v01") is None


def test_a_signal_has_it_in_its_own_unit_and_with_the_k_of_the_certificate() -> None:
    """4 uA with k = 2.5 are 1.6 uA, or 0.0016 mA; a correction of degC is a difference, in K."""
    points = [{"at": "4 mA", "correction": "-2 uA", "uncertainty": "4 uA"}]
    known = certified_signal("ai", _signal("mA", _calibration(points=points, coverage_factor=2.5)), 4.0)
    assert known is not None
    assert (known.correction, known.term.value) == pytest.approx((-0.002, 0.0016))
    warm = [{"at": "25 degC", "correction": "0.3 K", "uncertainty": "0.2 K"}]
    known = certified_signal("case", _signal("degC", _calibration(points=warm)), 25.0)
    assert known is not None
    assert (known.correction, known.term.value) == pytest.approx((0.3, 0.1))


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"drift": None}, "expected `done`, and `drift`"),
        ({"coverage_factor": 0.5}, "greater than or equal to 1"),
    ],
)
def test_points_need_what_may_have_changed_since(fields: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        _calibration(**fields)


@pytest.mark.parametrize(
    ("calibration", "fields", "words"),
    [
        ({"points": [*POINTS, POINTS[0]]}, {}, "two points at 0"),
        ({"points": [{**POINTS[0], "uncertainty": "0 V"}]}, {}, "not above zero"),
        ({"points": [{**POINTS[0], "correction": "1 mA"}]}, {}, "is not a voltage"),
        ({"points": [], "voltage-points": POINTS}, {}, "are of a supply; expected `points`"),
        ({"points": POINTS}, {"table": "holding register", "drives": "A.ai1"}, "at a signal that senses"),
    ],
)
def test_points_that_fit_nothing_are_refused(
    calibration: dict[str, Any], fields: dict[str, Any], words: str
) -> None:
    with pytest.raises(ValidationError, match=words):
        _signal(calibration=Calibration.model_validate(DATES | calibration), **fields)
