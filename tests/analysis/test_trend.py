"""The drift of a soak's record against NIST StRD, and against series with and without one."""

import math

import numpy as np
import pytest
import scipy
from hypothesis import given
from hypothesis import strategies as st

from hilseq.analysis.soak_samples import DAY, MINUTE, _alike, lag_1, slope_of, trend

# NIST StRD Michelso: speed of light, thousandths of (km/s - 299000) / 1000, in the order of the file. The
# values are from memory (R's `morley`); that mean, sd and the order-sensitive lag-1 all meet the certified
# figures to 12 digits is what vouches for them.
MICHELSO = (
    "850 740 900 1070 930 850 950 980 980 880 1000 980 930 650 760 810 1000 1000 960 960 "
    "960 940 960 940 880 800 850 880 900 840 830 790 810 880 880 830 800 790 760 800 "
    "880 880 880 860 720 720 620 860 970 950 880 910 850 870 840 840 850 840 840 840 "
    "890 810 810 820 800 770 760 740 750 760 910 920 890 860 880 720 840 850 850 780 "
    "890 840 780 810 760 810 790 810 820 850 870 870 810 740 810 940 950 800 810 870"
)
# NIST StRD Mavro, last three digits of 2.00xxx: from memory as well, vouched for in the same way.
MAVRO = (
    "180 170 180 190 180 170 150 140 150 150 170 180 180 190 190 210 200 160 140 130 "
    "130 150 150 160 150 140 130 140 150 140 150 160 150 160 190 200 200 210 220 230 "
    "240 250 270 260 260 260 270 260 250 240"
)
# NIST StRD Norris, 36 pairs "y x", from the file shipped inside the SciPy wheel (check-values 5.22).
NORRIS = (
    "0.1 0.2; 338.8 337.4; 118.1 118.2; 888.0 884.6; 9.2 10.1; 228.1 226.5; 668.5 666.3; 998.5 996.3; "
    "449.1 448.6; 778.9 777.0; 559.2 558.2; 0.3 0.4; 0.1 0.6; 778.1 775.5; 668.8 666.9; 339.3 338.0; "
    "448.9 447.5; 10.8 11.6; 557.7 556.0; 228.3 228.1; 998.0 995.8; 888.8 887.6; 119.6 120.2; 0.3 0.3; "
    "0.6 0.3; 557.6 556.8; 339.3 339.1; 888.0 887.2; 998.5 999.0; 778.9 779.0; 10.2 11.1; 117.6 118.3; "
    "228.9 229.2; 668.4 669.1; 449.2 448.9; 0.2 0.5"
)


# check-values 5.24: certified NIST figures, seen in test files of public statistics libraries.
@pytest.mark.parametrize(
    ("text", "scale", "offset", "expected"),
    [(MICHELSO, 1e3, 299.0, 0.535199668621283), (MAVRO, 1e5, 2.0, 0.937989183438248)],
    ids=["Michelso", "Mavro"],
)
def test_nist_autocorrelation(text: str, scale: float, offset: float, expected: float) -> None:
    """Lag-1 autocorrelations agree with the certified values to ten digits."""
    assert lag_1(np.array([offset + int(value) / scale for value in text.split()])) == pytest.approx(
        expected, rel=1e-10
    )


@pytest.mark.parametrize(("centre", "digits"), [(1.0, 1e-13), (1e6, 1e-8), (1e7, 1e-6)])
def test_numacc(centre: float, digits: float) -> None:
    """NumAcc2, 3 and 4 (check-values 5.25): a great constant part costs no digits that the data hold (5.26)."""
    values = np.array([centre + 0.2] + [centre + 0.1, centre + 0.3] * 500)
    assert lag_1(values) == pytest.approx(-0.999, rel=digits)


def test_norris() -> None:
    """Slope, its sd and the residual sd agree with NIST to ten digits (5.22, seen)."""
    y, x = np.array([[float(number) for number in pair.split()] for pair in NORRIS.split(";")]).T
    slope, slope_sd, residuals = slope_of([np.ones_like(x), x - x.mean()], y)
    assert slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert slope_sd == pytest.approx(0.429796848199937e-3, rel=1e-10)
    assert math.sqrt(float(residuals @ residuals) / 34) == pytest.approx(0.884796396144373, rel=1e-10)


def test_a_soak_of_wall_clock_times_keeps_its_digits() -> None:
    """Seconds since 1970 and a drift of a microvolt per hour on 24 V: the slope is still right."""
    times = 1.7e9 + np.arange(0.0, 259_200.0, 13.0)
    found = trend(times, 24.0 + 1e-6 / 3600 * (times - 1.7e9))
    assert found is not None
    assert found.per_day == pytest.approx(24e-6, rel=1e-6)


@given(st.floats(-1e3, 1e3), st.floats(-10, 10), st.integers(3, 50), st.floats(-1e4, 1e4))
def test_an_exact_line_comes_back(intercept: float, slope: float, count: int, start: float) -> None:
    """Points on a line give the line, with hardly any uncertainty."""
    x = start + np.arange(float(count))
    found, deviation, _ = slope_of([np.ones_like(x), x - x.mean()], intercept + slope * x)
    assert found == pytest.approx(slope, abs=1e-8)
    assert deviation < 1e-6


def test_the_stated_sd_is_the_scatter_of_slopes() -> None:
    """Over many noisy series the slopes scatter as much as each fit says."""
    random, x = np.random.default_rng(1), np.arange(30.0)
    fits = [slope_of([np.ones_like(x), x - x.mean()], random.normal(0.0, 2.0, 30)) for _ in range(800)]
    scatter = math.sqrt(sum(slope**2 for slope, _, _ in fits) / len(fits))
    said = math.sqrt(sum(deviation**2 for _, deviation, _ in fits) / len(fits))
    assert scatter == pytest.approx(said, rel=0.08)  # 1/sqrt(1600) = 2.5 %, three of them


def test_a_drift_of_few_minutes_is_held_against_students_factor() -> None:
    """Of 400 still records of twelve minutes about 5 % drift for certain, with six terms fitted to them."""
    random, times = np.random.default_rng(2), np.arange(0.0, 12 * MINUTE, 10.0)
    found = [trend(times, random.normal(0.0, 1.0, times.size)) for _ in range(400)]
    assert sum(one is not None and one.certain for one in found) / 400 < 0.09
    assert trend(times[:36], times[:36]) is None
    assert DAY == 1440 * MINUTE


@pytest.mark.parametrize("alike", [0.0, 0.9, 0.99])
def test_a_daily_cycle_and_slow_noise_are_no_drift(alike: float) -> None:
    """Three days, minute by minute, with a cycle of five deviations: at most 8 % of 200 still records drift.

    The level is 4.55 % (two standard deviations); by the lag-1 correction alone it was 0.8 to 0.9 (simulated).
    """
    random, times = np.random.default_rng(18), np.arange(0.0, 3 * DAY, MINUTE)
    drifting = 0
    for _ in range(200):
        noise = scipy.signal.lfilter([1.0], [1.0, -alike], random.normal(size=2000 + times.size))[2000:]
        cycle = 5.0 * np.sin(2.0 * np.pi * times / DAY + random.uniform(0.0, 6.3))
        found = trend(times, noise * math.sqrt(1.0 - alike**2) + cycle)
        assert found is not None
        drifting += found.certain
    assert drifting / 200 <= 0.08


@pytest.mark.parametrize("shape", [(0.0, 1.0), (0.6, 0.0), (0.97, 0.0), (0.99, 3.0), (-0.5, 0.0)])
@pytest.mark.parametrize("count", [40, 101, 500])
def test_how_many_neighbours_are_worth_one_value(shape: tuple[float, float], count: int) -> None:
    """By the sums themselves, one by one: slow noise of an autocorrelation, with white noise upon it."""
    alike, white = shape
    random = np.random.default_rng(11)
    slow = scipy.signal.lfilter([1.0], [1.0, -alike], random.normal(size=count)) * math.sqrt(1.0 - alike**2)
    y = slow + white * random.normal(size=count)
    y -= y.mean()
    sums = [sum(y[i] * y[i + k] for i in range(count - k)) for k in range(count)]
    first = max(0.0, sums[1] / sums[0])
    if first > 0.0:
        first = min(0.9999, first + (2.0 + 2.0 * 6.0 * first) / count)
    beyond, lag = 0.0, 1
    while lag + 1 < count and sums[lag] + sums[lag + 1] > 0.0:
        beyond += (sums[lag] + sums[lag + 1]) / sums[0]
        lag += 2
    expected = max(1.0, (1.0 + first) / (1.0 - first), 1.0 + 2.0 * beyond)
    assert _alike(y, 6.0) == pytest.approx(expected, rel=1e-9)


def test_a_drift_beside_a_daily_cycle_is_found() -> None:
    """A deviation a day, in slow noise of one deviation, over five days."""
    random, times = np.random.default_rng(5), np.arange(0.0, 5 * DAY, MINUTE)
    noise = scipy.signal.lfilter([1.0], [1.0, -0.9], random.normal(size=times.size)) * math.sqrt(1.0 - 0.9**2)
    found = trend(times, noise + np.sin(2.0 * np.pi * times / DAY) + times / DAY)
    assert found is not None
    assert found.certain
    assert found.per_day == pytest.approx(1.0, abs=3.0 * found.uncertainty)
