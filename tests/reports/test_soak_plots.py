"""Soak plots keep every spike, never draw across a gap, and are quick for three days of samples."""

from __future__ import annotations

import json
import math
import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hilseq.analysis.decimation import decimate, stretches
from hilseq.reports import soak_plots
from hilseq.reports.soak import Curve, Series, SoakEvent, SoakView, TimeSpan

DAYS = 259_200


@given(
    values=st.lists(st.floats(-1e6, 1e6) | st.just(float("nan")), max_size=300),
    count=st.integers(1, 50),
)
@settings(deadline=None)
def test_buckets_hold_least_mean_and_greatest_of_their_samples(values: list[float], count: int) -> None:
    """Against the plain definition, sample by sample."""
    times = [float(number) for number in range(len(values))]
    end = max(len(values) - 1.0, 1.0)
    buckets = decimate(times, values, (0.0, end), count)
    members: list[list[float]] = [[] for _ in range(count)]
    for when, what in zip(times, values, strict=True):
        if not math.isnan(what):
            members[min(int(when / (end / count)), count - 1)].append(what)
    for number, inside in enumerate(members):
        if not inside:
            assert np.isnan(buckets.mean[number])
            continue
        assert buckets.low[number] == min(inside)
        assert buckets.high[number] == max(inside)
        assert buckets.mean[number] == pytest.approx(sum(inside) / len(inside), rel=1e-9, abs=1e-6)


@given(values=st.lists(st.floats(-1e6, 1e6) | st.just(float("nan")), min_size=1, max_size=300))
@settings(deadline=None)
def test_coarser_buckets_are_those_of_the_samples_themselves(values: list[float]) -> None:
    times = [float(number) for number in range(len(values))]
    span = (0.0, float(len(values)))
    joined, direct = decimate(times, values, span, 24).coarser(6), decimate(times, values, span, 4)
    np.testing.assert_array_equal(joined.count, direct.count)
    np.testing.assert_array_equal(joined.low, direct.low)
    np.testing.assert_array_equal(joined.high, direct.high)
    np.testing.assert_allclose(joined.mean, direct.mean, rtol=1e-9, atol=1e-6)


def test_samples_out_of_order_are_sorted_and_different_lengths_refused() -> None:
    buckets = decimate([3.0, 1.0, 0.0], [30.0, 10.0, 0.0], (0.0, 4.0), 4)
    assert buckets.mean.tolist()[:2] == [0.0, 10.0]
    with pytest.raises(ValueError, match="expected as many"):
        decimate([1.0], [1.0, 2.0], (0.0, 4.0), 4)


def test_a_single_spike_in_three_days_is_seen() -> None:
    values = np.full(DAYS, 0.12)
    values[123_456] = 0.9
    series = Series("current", "A", np.arange(DAYS, dtype=float), values)
    frame = soak_plots.TimeFrame(float(DAYS))
    buckets = soak_plots.overview(soak_plots.fine(series, frame))
    assert np.nanmax(buckets.high) == 0.9
    assert "from 120 to 900" in soak_plots.draw(series, frame, buckets)


def test_nothing_is_drawn_across_a_gap() -> None:
    times = [float(second) for second in range(1000)]
    values = [1.0 if not 400 <= second < 600 else float("nan") for second in range(1000)]
    series = Series("voltage", "V", times, values)
    frame = soak_plots.TimeFrame(1000.0, gaps=[TimeSpan(400.0, 600.0, "lost")])
    drawing = soak_plots.draw(series, frame, soak_plots.overview(soak_plots.fine(series, frame)))
    root = ET.fromstring(drawing)
    means = [element.get("d", "") for element in root.iter() if element.get("class") == "mean"]
    assert len(means) == 2
    first, second = ([float(point.split()[0]) for point in mean[1:].split("L")] for mean in means)
    assert max(first) <= frame.x(401) + 1
    assert min(second) >= frame.x(599) - 1
    assert [element for element in root.iter() if element.get("class") == "gap"]


def test_unbroken_stretches_are_found() -> None:
    assert stretches(np.array([True, True, False, True])) == [(0, 2), (3, 4)]
    assert stretches(np.array([False, False])) == []


@pytest.mark.parametrize(
    ("end", "words"),
    [
        (259_200, ["0 h", "12 h", "24 h", "36 h", "48 h", "60 h", "72 h"]),
        (60, ["0 s", "10 s", "20 s", "30 s", "40 s", "50 s", "60 s"]),
        (864_000, ["0 d", "2 d", "4 d", "6 d", "8 d", "10 d"]),
        (1e-9, ["0 s"]),
    ],
)
def test_the_time_axis_has_round_marks(end: float, words: list[str]) -> None:
    assert [label for _, label in soak_plots.time_steps(end)] == words


def test_events_beyond_the_alphabet_go_by_number_and_stay_in_the_table() -> None:
    assert [soak_plots.letter(number) for number in (0, 25, 26)] == ["A", "Z", "27"]


def test_limits_near_the_samples_are_drawn_and_far_ones_do_not_squash_the_curve() -> None:
    times, values = [0.0, 1.0, 2.0], [23.9, 24.0, 24.1]
    frame = soak_plots.TimeFrame(2.0)
    near = Series("voltage", "V", times, values, low=23.8, high=24.2)
    far = Series("voltage", "V", times, values, high=500.0)
    assert (
        soak_plots.draw(near, frame, soak_plots.overview(soak_plots.fine(near, frame))).count('class="limit"')
        == 2
    )
    assert (
        soak_plots.draw(far, frame, soak_plots.overview(soak_plots.fine(far, frame))).count('class="limit"')
        == 0
    )


def three_days() -> SoakView:
    rng = np.random.default_rng(5)
    times: Any = np.arange(DAYS, dtype=float)
    temperature = 25 + 32 * (1 - np.exp(-times / 5400)) + rng.normal(0, 0.1, DAYS)
    fit = Curve([0.0, 5400.0, 259_200.0], [25.0, 45.2, 57.0], "Fitted: settles at 57.0 degC.")
    return SoakView(
        planned=259_200.0,
        lasted=259_200.0,
        samples=DAYS,
        series=[
            Series("supply current", "A", times, 0.12 + rng.normal(0, 0.001, DAYS), low=0.1, high=0.155),
            Series("supply voltage", "V", times, 24 + rng.normal(0, 0.005, DAYS)),
            Series("case temperature", "degC", times, temperature, fit=fit),
        ],
        modes=[
            TimeSpan(0, 42_120, "live"),
            TimeSpan(42_120, 43_000, "held"),
            TimeSpan(43_000, 259_200, "live"),
        ],
        gaps=[TimeSpan(100_000, 104_000, "the I/O simulator did not answer")],
        events=[SoakEvent(42_120, "mode left", "left live for held, case 57.3 degC, fault 0x21 at q05")],
        incidents=1,
        sentences=["Left live once in 72 h."],
    )


def test_a_page_with_three_days_of_samples_stays_small(
    good: Path, page_of: Callable[..., str], read_page: Callable[[str], Any]
) -> None:
    soak = three_days()
    text = page_of(good, soak=soak)
    assert len(text) < 600_000
    said = read_page(text).said()
    assert "3 d of 3 d planned, 259200 samples, 1 event, 1 gap." in said
    assert "11 h 42 min mode left left live for held, case 57.3 degC, fault 0x21 at q05" in said
    assert said.count("Left live once in 72 h.") == 1
    assert "Fitted: settles at 57.0 degC." in said
    assert "27 h 47 min 28 h 53 min the I/O simulator did not answer" in said


def test_the_zoom_s_data_are_numbers_and_nothing_else(
    good: Path, page_of: Callable[..., str], read_page: Callable[[str], Any]
) -> None:
    page = read_page(page_of(good, soak=three_days()))
    data = [
        json.loads(text) for attributes, text in page.scripts if attributes == {"type": "application/json"}
    ]
    assert len(data) == 3
    for rows in data:
        assert [len(row) for row in rows] == [soak_plots.DETAIL] * 3
        assert all(number is None or isinstance(number, int) for row in rows for number in row)


def test_a_soak_without_samples_has_no_plot_and_says_so(
    good: Path, page_of: Callable[..., str], read_page: Callable[[str], Any]
) -> None:
    soak = SoakView(60.0, 0.0, 0, [Series("supply current", "A", [], [])])
    assert "supply current: no samples" in read_page(page_of(good, soak=soak)).said()
