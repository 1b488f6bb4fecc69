"""Gauge studies by analysis of variance, against published worked examples."""

from __future__ import annotations

import math

import pytest

from hilseq.analysis.gauge import gauge_study

#: Houf and Berman (1988), thermal performance of a module: 10 parts, 3 operators, 3 repeats, as printed in SAS/STAT
#: User's Guide, VARCOMP procedure, example "Using the GRR Method".
MODULES = """
37 38 37 41 41 40 41 42 41; 42 41 43 42 42 42 43 42 43; 30 31 31 31 31 31 29 30 28; 42 43 42 43 43 43 42 42 42;
28 30 29 29 30 29 31 29 29; 42 42 43 45 45 45 44 46 45; 25 26 27 28 28 30 29 27 27; 40 40 40 43 42 42 43 43 41;
25 25 25 27 29 28 26 26 26; 35 34 34 35 35 34 35 34 35
"""
#: Flight times of paper helicopters: 3 prototypes, 3 operators, 3 runs (package SixSigma 0.11.1 of R, ss.data.rr).
FLIGHTS = """
1.27 0.90 1.09 1.34 1.32 1.27 1.09 1.26 1.09; 1.12 1.09 1.15 1.24 1.00 1.14 1.48 1.15 1.15;
1.73 1.28 1.77 1.64 1.65 1.77 1.64 1.44 1.68
"""


def _data(text: str) -> list[list[list[float]]]:
    rows = [[float(word) for word in row.split()] for row in text.split(";")]
    return [[row[0:3], row[3:6], row[6:9]] for row in rows]


def test_an_interaction_that_counts() -> None:
    """Mean squares 437.33, 19.63, 2.70, 0.51 (Burdick, Borror, Montgomery 2003); components recomputed from the data.

    Specification 18 to 58 as in the example: precision to tolerance 0.201453.
    """
    found = gauge_study(_data(MODULES))
    assert [row.squares for row in found.rows] == pytest.approx([3935.95556, 39.266667, 48.511111, 30.666667])
    assert [row.degrees for row in found.rows] == [9, 2, 18, 60]
    assert [row.mean_square for row in found.rows] == pytest.approx([437.33, 19.63, 2.70, 0.51], rel=3e-3)
    assert [row.f for row in found.rows[:3]] == pytest.approx([162.270, 7.28493, 5.27295], rel=1e-5)
    assert found.rows[1].probability == pytest.approx(0.004810, rel=1e-3)
    assert not found.pooled
    components = (found.repeatability, found.interaction, found.places, found.units, found.gauge, found.total)
    assert components == pytest.approx(
        (0.511111, 0.727984, 0.564609, 48.292593, 1.803704, 50.096296), rel=1e-5
    )
    assert found.share == pytest.approx(0.189749, rel=1e-5)
    assert found.to_tolerance(58.0 - 18.0) == pytest.approx(0.201453, rel=1e-5)
    assert found.distinct == 7


def test_an_interaction_that_is_chance_is_pooled() -> None:
    """Package SixSigma 0.11.1 of R, its unit tests: F 0.974 (p 0.446), and what comes out after pooling."""
    found = gauge_study(_data(FLIGHTS))
    assert [round(row.mean_square, 4) for row in found.rows] == [0.6004, 0.0265, 0.0208, 0.0214]
    assert found.rows[2].f == pytest.approx(0.974, abs=5e-4)
    assert found.rows[2].probability == pytest.approx(0.44619, abs=5e-6)
    assert found.pooled
    assert (found.repeatability, found.places, found.units) == pytest.approx(
        (0.0213088, 0.00057351, 0.0643389), rel=1e-5
    )
    assert (found.gauge, found.total) == pytest.approx((0.0218823, 0.0862212), rel=1e-5)
    assert 6.0 * math.sqrt(found.gauge) == pytest.approx(0.8875594, rel=1e-6)
    assert found.share == pytest.approx(0.5038, abs=5e-5)
    assert found.distinct == 2


def test_without_any_scatter_nothing_is_tested() -> None:
    found = gauge_study([[[1.0, 1.0], [1.0, 1.0]], [[2.0, 2.0], [2.0, 2.0]]])
    assert found.gauge == 0.0
    assert found.units == pytest.approx(0.5)
    assert found.rows[0].f is None


@pytest.mark.parametrize(
    "readings",
    [[], [[[1.0, 2.0], [1.0, 2.0]]], [[[1.0], [2.0]], [[1.0], [2.0]]], [[[1.0, 2.0]], [[1.0, 2.0]]],
     [[[1.0, 2.0], [1.0, 2.0]], [[1.0, 2.0], [1.0]]], [[[1.0, math.nan], [1.0, 2.0]], [[1.0, 2.0], [1.0, 2.0]]]],
)  # fmt: skip
def test_what_is_no_study_is_refused(readings: list[list[list[float]]]) -> None:
    with pytest.raises(ValueError, match="expected"):
        gauge_study(readings)
