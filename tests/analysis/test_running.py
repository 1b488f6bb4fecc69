"""Running statistics against NIST StRD and the self-generating NumAcc series."""

import math
import statistics
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilseq.analysis.running import Running

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


def michelso() -> list[float]:
    """Return the hundred values in thousands of km/s."""
    return [round(299 + int(value) / 1000, 3) for value in MICHELSO.split()]


def mavro() -> list[float]:
    """Return the fifty transmittances."""
    return [round(2 + int(value) / 1e5, 5) for value in MAVRO.split()]


def numacc(centre: float) -> list[float]:
    """Return NumAcc2, 3 or 4: 1001 values around centre + 0.2."""
    return [centre + 0.2] + [centre + 0.1, centre + 0.3] * 500


# check-values 5.24: certified NIST figures, seen in test files of public statistics libraries.
@pytest.mark.parametrize(
    ("values", "mean", "sd", "lag_1"),
    [
        (michelso(), 299.8524, 0.0790105478190518, 0.535199668621283),
        (mavro(), 2.001856, 0.000429123454003053, 0.937989183438248),
    ],
    ids=["Michelso", "Mavro"],
)
def test_nist_univariate_sets(values: list[float], mean: float, sd: float, lag_1: float) -> None:
    """Mean, sd and lag-1 agree with the certified values to eleven digits or more."""
    running = Running(values)
    assert running.mean == pytest.approx(mean, rel=1e-14)
    assert running.sd == pytest.approx(sd, rel=1e-11)
    assert running.lag_1 == pytest.approx(lag_1, rel=1e-11)


# check-values 5.25: generating rule and results seen in test files of public libraries, recomputed.
@pytest.mark.parametrize(
    ("values", "mean", "sd", "lag_1", "digits"),
    [
        ([10000001.0, 10000003.0, 10000002.0], 10000002.0, 1.0, -0.5, 1e-15),
        (numacc(1.0), 1.2, 0.1, -0.999, 1e-13),
        (numacc(1e6), 1e6 + 0.2, 0.1, -0.999, 1e-9),
        # The data themselves hold 0.1 to eight digits only (5.26).
        (numacc(1e7), 1e7 + 0.2, 0.1, -0.999, 1e-8),
    ],
    ids=["NumAcc1", "NumAcc2", "NumAcc3", "NumAcc4"],
)
def test_numacc(values: list[float], mean: float, sd: float, lag_1: float, digits: float) -> None:
    """The series that break textbook sums keep their digits."""
    running = Running(values)
    assert running.mean == pytest.approx(mean, rel=1e-15)
    assert running.sd == pytest.approx(sd, rel=digits)
    assert running.lag_1 == pytest.approx(lag_1, rel=digits)


def test_the_textbook_sum_would_fail_numacc4() -> None:
    """Why this module is not three sums: they give 0 where the sd is 0.1 (5.26)."""
    values = numacc(1e7)
    textbook = sum(v * v for v in values) - len(values) * (sum(values) / len(values)) ** 2
    assert math.sqrt(max(0.0, textbook) / 1000) != pytest.approx(0.1, rel=0.1)
    assert Running(values).sd == pytest.approx(statistics.stdev(values), rel=1e-12)


numbers = st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=60)


def plain_lag(values: list[float]) -> float:
    """Return the lag-1 autocorrelation by its definition, from exactly rounded sums."""
    mean = statistics.fmean(values)
    around = [v - mean for v in values]
    return math.fsum(a * b for a, b in pairwise(around)) / math.fsum(a * a for a in around)


@given(numbers)
def test_the_definitions_hold(values: list[float]) -> None:
    """Every figure is that of the whole list, computed by the standard library."""
    running = Running(values)
    assert running.count == len(values)
    assert (running.lowest, running.highest) == (min(values), max(values))
    assert running.mean == pytest.approx(statistics.fmean(values), rel=1e-12, abs=1e-9)
    assert running.sd == pytest.approx(statistics.stdev(values), rel=1e-9, abs=1e-9)
    assert running.mean_sd == pytest.approx(running.sd / math.sqrt(len(values)))
    if running.sd > 1e-3:
        assert running.lag_1 == pytest.approx(plain_lag(values), rel=1e-6, abs=1e-9)


@given(numbers, st.integers(0, 60))
def test_parts_merge_to_the_whole(values: list[float], cut: int) -> None:
    """Two parts, either of which may be empty, give what one pass gives, and are left as they were."""
    early, late = Running(values[:cut]), Running(values[cut:])
    merged, whole = early.merged(late), Running(values)
    assert (merged.count, merged.lowest, merged.highest) == (whole.count, whole.lowest, whole.highest)
    assert merged.mean == pytest.approx(whole.mean, rel=1e-12, abs=1e-9)
    assert merged.sd == pytest.approx(whole.sd, rel=1e-9, abs=1e-9)
    if whole.sd > 1e-3:
        assert merged.lag_1 == pytest.approx(whole.lag_1, rel=1e-6, abs=1e-9)
    merged.add(1.0)
    assert early.count + late.count == len(values)
    merged.merged(Running([2.0, 5.0]))
    assert merged.count == len(values) + 1


def test_a_merge_goes_on_as_the_whole_would() -> None:
    """After a merge, further values continue mean, sd and lag-1: a resumed soak loses nothing."""
    values = michelso()
    merged = Running(values[:37]).merged(Running(values[37:80]))
    for value in values[80:]:
        merged.add(value)
    assert merged.lag_1 == pytest.approx(0.535199668621283, rel=1e-11)
    assert merged.sd == pytest.approx(0.0790105478190518, rel=1e-11)


def test_what_cannot_be_is_refused() -> None:
    """A missing sample, and figures of too few values, are errors that say so."""
    with pytest.raises(ValueError, match="a value of nan"):
        Running([1.0, math.nan])
    with pytest.raises(ValueError, match="the mean of 0 values"):
        _ = Running().mean
    with pytest.raises(ValueError, match="standard deviation of 1 values: expected at least 2"):
        _ = Running([1.0]).sd
    assert Running([5.0, 5.0, 5.0]).lag_1 == 0.0
