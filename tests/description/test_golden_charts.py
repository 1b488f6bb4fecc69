"""Control charts of a known good unit: when one is left, and what begins them anew."""

from __future__ import annotations

import random

import pytest

from hilseq.analysis.uncertainty import check_standard
from hilseq.description.golden import FEWEST_CHARTED, ChartedVisit, GoldenVisit


def _visit(values: list[float], number: int = 0, *, other: dict[str, str] | None = None) -> GoldenVisit:
    """Return a visit that read these values, of the readings r0, r1, ..., each known to 0.01."""
    charted = ChartedVisit(
        run=f"run-{number}",
        on="2026-01-05",
        readings={f"r{n}": (value, 0.01) for n, value in enumerate(values)},
    )
    known = {
        "harness": "h",
        "part": "P",
        "serial": "1",
        "run": "r",
        "chain": "c",
        "on": "2026-01-05",
        "by": "M. Frei",
    }
    return GoldenVisit.model_validate(known | {"simulated": False, "charted": (charted,)} | (other or {}))


def _after(series: list[list[float]]) -> GoldenVisit:
    """Return the last of several visits, one after the other."""
    visit = _visit(series[0])
    for number, values in enumerate(series[1:], 1):
        visit = _visit(values, number).with_earlier(visit)
    return visit


@pytest.mark.parametrize(("count", "t"), [(25, 2.063899), (50, 2.009575), (100, 1.984217)])
def test_limits_of_a_check_standard(count: int, t: float) -> None:
    """NIST/SEMATECH e-Handbook 2.2.2.1 (from memory): t(0.975; K - 1), recomputed with SciPy; for the next value."""
    values = [(-1.0) ** n for n in range(count)]
    mean, half = check_standard(values, 0.05)
    deviation = (sum((value - mean) ** 2 for value in values) / (count - 1)) ** 0.5
    assert half == pytest.approx(t * deviation * (1.0 + 1.0 / count) ** 0.5, rel=1e-6)


def test_a_stand_where_nothing_changes_is_seldom_closed() -> None:
    """At most 1 % of the visits leave any of 40 charts: 150 histories of seven visits each."""
    stream = random.Random(11)
    left = sum(
        bool(_after([[stream.gauss(10.0, 1.0) for _ in range(40)] for _ in range(7)]).out_of_control())
        for _ in range(150)
    )
    assert left <= 6  # 1.5 expected; seven or more have a probability of 0.1 %


def test_a_reading_that_moves_closes_the_stand_until_it_is_back() -> None:
    stream = random.Random(3)
    history = [[stream.gauss(10.0, 0.02), stream.gauss(5.0, 0.02)] for _ in range(8)]
    assert _after(history).out_of_control() == []
    moved = [*history, [10.0, 5.4]]
    (reported,) = _after(moved).out_of_control()
    assert reported.startswith("r1: 5.4 on 2026-01-05, and ")
    assert "in the 8 visits before" in reported
    assert _after([*moved, [10.0, 5.4]]).out_of_control(), "a stand that stays changed stays closed"
    assert _after([*moved, [10.0, 5.0]]).out_of_control() == []


def test_few_visits_make_no_chart_and_small_changes_turn_no_verdict() -> None:
    history = [[1.0]] * FEWEST_CHARTED
    assert _after([*history[1:], [9.0]]).out_of_control() == []
    assert _after([*history, [1.0009]]).out_of_control() == []  # a tenth of U is 0.001
    assert _after([*history, [1.0011]]).out_of_control() != []


@pytest.mark.parametrize("other", [{"serial": "2"}, {"harness": "other"}])
def test_another_unit_or_harness_begins_new_charts(other: dict[str, str]) -> None:
    visit = _visit([9.0], other=other).with_earlier(_after([[1.0]] * 6))
    assert len(visit.charted) == 1
    assert visit.out_of_control() == []
    assert len(_visit([1.0]).with_earlier(None).charted) == 1
