"""The calibration line of an analog channel."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilseq.analysis.calibration_line import fit_line, hysteresis, repeatability

# NIST StRD "Norris" (calibration of ozone monitors), (x, y); file Norris.dat as shipped in the SciPy wheel
# under scipy/stats/tests/data/nist_linregress, copied because distribution packages may leave it out.
NORRIS = [
    (0.2, 0.1),
    (337.4, 338.8),
    (118.2, 118.1),
    (884.6, 888.0),
    (10.1, 9.2),
    (226.5, 228.1),
    (666.3, 668.5),
    (996.3, 998.5),
    (448.6, 449.1),
    (777.0, 778.9),
    (558.2, 559.2),
    (0.4, 0.3),
    (0.6, 0.1),
    (775.5, 778.1),
    (666.9, 668.8),
    (338.0, 339.3),
    (447.5, 448.9),
    (11.6, 10.8),
    (556.0, 557.7),
    (228.1, 228.3),
    (995.8, 998.0),
    (887.6, 888.8),
    (120.2, 119.6),
    (0.3, 0.3),
    (0.3, 0.6),
    (556.8, 557.6),
    (339.1, 339.3),
    (887.2, 888.0),
    (999.0, 998.5),
    (779.0, 778.9),
    (11.1, 10.2),
    (118.3, 117.6),
    (229.2, 228.9),
    (669.1, 668.4),
    (448.9, 449.2),
    (0.5, 0.2),
]


def test_nist_norris() -> None:
    """Line, standard errors and scatter agree with the certified values to 11 digits (check 5.22)."""
    line = fit_line([x for x, _ in NORRIS], [y for _, y in NORRIS])
    assert line.offset == pytest.approx(-0.262323073774029, rel=1e-11)
    assert line.gain == pytest.approx(1.00211681802045, rel=1e-13)
    assert line.offset_uncertainty == pytest.approx(0.232818234301152, rel=1e-11)
    assert line.gain_uncertainty == pytest.approx(0.429796848199937e-3, rel=1e-11)
    assert line.residual_deviation == pytest.approx(0.884796396144373, rel=1e-11)
    assert line.degrees_of_freedom == 34


def test_largest_deviation_is_signed_and_placed() -> None:
    """One reading pulled down by 3 is found, with its sign and where it was applied."""
    applied = [float(step) for step in range(11)]
    read = [2.0 + 0.5 * x - (3.0 if x == 7.0 else 0.0) for x in applied]
    line = fit_line(applied, read)
    assert line.largest_at == 7.0
    assert line.largest_deviation == pytest.approx(read[7] - line.at(7.0))
    assert line.largest_deviation < -2.0


@given(
    st.floats(-1e3, 1e3),
    st.floats(-1e3, 1e3),
    st.lists(st.floats(-1e3, 1e3), min_size=3, max_size=20),
)
def test_exact_lines_are_recovered(gain: float, offset: float, applied: list[float]) -> None:
    """Readings on a line give that line, wherever the points are, with no scatter left."""
    applied = [*applied, min(applied) + 1.0]
    line = fit_line(applied, [offset + gain * x for x in applied])
    size = abs(offset) + 1e3 * abs(gain) + 1.0
    assert line.at(applied[0]) == pytest.approx(offset + gain * applied[0], abs=1e-9 * size)
    assert line.gain == pytest.approx(gain, abs=1e-9 * size)
    assert line.residual_deviation <= 1e-9 * size


def test_large_offset_costs_no_digits() -> None:
    """A scatter of 1 beside an applied value of 1e9 keeps its digits."""
    near = fit_line([0.0, 1.0, 2.0, 3.0], [0.0, 1.1, 1.9, 3.0])
    far = fit_line([1e9, 1e9 + 1, 1e9 + 2, 1e9 + 3], [0.0, 1.1, 1.9, 3.0])
    assert far.gain == pytest.approx(near.gain, rel=1e-12)
    assert far.residual_deviation == pytest.approx(near.residual_deviation, rel=1e-12)


def test_repeatability_pools_over_levels() -> None:
    """Levels of deviations sqrt 2 (1 degree of freedom) and 1 (2 degrees) pool to sqrt(4/3)."""
    assert repeatability([[1.0, 3.0], [10.0, 11.0, 12.0], [5.0], []]) == pytest.approx(math.sqrt(4.0 / 3.0))


def test_hysteresis_is_the_largest_gap_between_sweeps() -> None:
    """Falling minus rising is signed, and found at its applied value."""
    found = hysteresis([0.0, 5.0, 10.0], [0.0, 5.0, 10.1], [0.1, 4.6, 10.0])
    assert found.largest == pytest.approx(-0.4)
    assert found.at == 5.0


@pytest.mark.parametrize(
    ("applied", "read", "words"),
    [
        ([1.0, 2.0], [1.0, 2.0], "2 points; expected at least 3"),
        ([1.0, 2.0, 3.0], [1.0, 2.0], "2 values read; expected 3"),
        ([1.0, 1.0, 1.0], [1.0, 2.0, 3.0], r"all 3 points at 1\.0; expected at least 2 different"),
        ([1.0, math.nan, 3.0], [1.0, 2.0, 3.0], "value applied nan; expected a finite number"),
    ],
)
def test_lines_that_cannot_be_are_refused(applied: list[float], read: list[float], words: str) -> None:
    """Too few, unequal, coinciding or missing points are named, not fitted."""
    with pytest.raises(ValueError, match=words):
        fit_line(applied, read)


def test_sweeps_that_cannot_be_compared_are_refused() -> None:
    """Nothing repeated, nothing swept, or sweeps of unequal length are errors."""
    with pytest.raises(ValueError, match="2 groups without a repeated reading"):
        repeatability([[1.0], [2.0]])
    with pytest.raises(ValueError, match="a sweep of 0 points"):
        hysteresis([], [], [])
    with pytest.raises(ValueError, match="1 values read falling; expected 2"):
        hysteresis([0.0, 1.0], [0.0, 1.0], [0.0])
