"""Buckets against the samples themselves, however they come in."""

from __future__ import annotations

import numpy as np
import pytest

from hilseq.live.soaking import MOST, RECENT, SampleWindow


@pytest.mark.parametrize("piece", [1, 7, 100, 5000])
def test_buckets_are_those_of_all_samples_at_once(piece: int) -> None:
    random = np.random.default_rng(1)
    times = np.arange(5000.0)
    values = np.column_stack([random.normal(24, 1, 5000), random.normal(0.2, 0.1, 5000)])
    rolled = SampleWindow(2, [1], None, 1.0)
    for first in range(0, 5000, piece):
        rolled.add(times[first : first + piece], values[first : first + piece])
    ((low, mean, high),) = rolled.buckets(0)
    assert rolled.width == 4.0
    assert len(mean) == 1250 <= MOST
    grouped = values[:, 1].reshape(-1, 4)
    assert np.allclose(low, grouped.min(axis=1))
    assert np.allclose(mean, grouped.mean(axis=1))
    assert np.allclose(high, grouped.max(axis=1))
    assert np.array_equal(rolled.recent_times, times[-RECENT:])
    assert rolled.greatest.tolist() == pytest.approx(values.max(axis=0).tolist())


def test_what_is_missing_stays_missing() -> None:
    rolled = SampleWindow(1, [0], None, 1.0)
    rolled.add(np.array([0.0, 1.0, 5.0]), np.array([[1.0], [np.nan], [3.0]]))
    ((_, mean, _),) = rolled.buckets(0)
    assert [None if np.isnan(value) else value for value in mean] == [1.0, None, None, None, None, 3.0]


def test_impossible_times_are_left_out() -> None:
    rolled = SampleWindow(1, [0], None, 1.0)
    rolled.add(np.array([np.nan, np.inf, -5.0, 1e300, 2.0]), np.ones((5, 1)))
    assert rolled.count == 1
    assert rolled.width == 1.0


@pytest.mark.parametrize("piece", [1, 3, 100])
def test_modes_are_stretches_and_a_gap_is_nobodys(piece: int) -> None:
    times = np.r_[0:10, 10:15, 60:70, 70:72].astype(float)
    modes = np.r_[[2.0] * 10, [1.0] * 5, [2.0] * 10, [np.nan] * 2].reshape(-1, 1)
    rolled = SampleWindow(1, [], 0, 1.0)
    for first in range(0, len(times), piece):
        rolled.add(times[first : first + piece], modes[first : first + piece])
    reported = [
        (one.start, one.end, None if np.isnan(one.number) else one.number) for one in rolled.stretches
    ]
    assert reported == [(0.0, 10.0, 2.0), (10.0, 14.0, 1.0), (60.0, 70.0, 2.0), (70.0, 71.0, None)]


@pytest.mark.parametrize("period", [0.0, -1.0, float("nan"), float("inf")])
def test_a_period_that_is_none_does_no_harm(period: float) -> None:
    rolled = SampleWindow(1, [0], 0, period)
    rolled.add(np.array([0.0, 1.0]), np.ones((2, 1)))
    assert rolled.width == 1.0
