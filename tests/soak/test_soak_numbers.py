"""The numbers of a soak against published values and closed forms."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from hilseq.analysis import soak_samples as numbers
from hilseq.analysis.limits import Limits, ReadingVerdict
from hilseq.analysis.soak_events import above, event_rate, near_starts, reported, soak_outlook
from hilseq.analysis.uncertainty import DecisionRule
from hilseq.description.plans import Soak
from hilseq.errors import NotResolvable
from hilseq.journal.entries import Reading
from hilseq.plugin.judge import Judge, require_resolved
from hilseq.procedures.soak.conditions import SoakConditions
from hilseq.procedures.soak.extremes import LimitedColumn

HOUR = 3600.0


@pytest.mark.parametrize(("confidence", "hours"), [(0.60, 78.6), (0.90, 31.3), (0.95, 24.0)])
def test_72_hours_without_an_event(confidence: float, hours: float) -> None:
    """MTBF lower bounds of a 72 h soak without failure; chi-square formula, NIST e-Handbook 8.4.5.1."""
    rate = event_rate(0, 72 * HOUR, confidence)
    assert rate.mtbf == pytest.approx(hours, abs=0.05)
    assert f"above {hours:g} h with {100 * confidence:g} % confidence" in rate.sentence()


def test_two_events_in_800_hours() -> None:
    """NIST e-Handbook 8.4.5.1, worked case: 800 h, 2 failures, 90 %: MTBF between 127.07 h and 2251.2 h."""
    rate = event_rate(2, 800 * HOUR, 0.90)
    assert 1 / rate.interval.upper == pytest.approx(127.07, abs=0.01)
    assert 1 / rate.interval.lower == pytest.approx(2251.2, abs=0.1)


def _plan(**more: object) -> Soak:
    return Soak.model_validate({"duration": "72 h", **more})


def test_the_outlook_of_the_shipped_plan() -> None:
    """72 h at 1 Hz are 259,200 samples; an MTBF of 24 h shows with probability 0.9502 (check value 5.10)."""
    outlook = soak_outlook(_plan(), columns=46, start=5.0)
    assert outlook.samples == 259_200
    assert outlook.mtbf == pytest.approx(24.0, abs=0.05)
    assert outlook.shows == pytest.approx(0.9502, abs=5e-5)
    assert 259_200 * (12 + 4 * 46) < outlook.disk < 1.1 * 259_200 * (12 + 4 * 46)
    assert soak_outlook(_plan(duration="2 h"), columns=46, start=5.0).samples == 7200


def test_a_planned_power_cycle_costs_its_start_too() -> None:
    """30 s off and up to 5 s of starting: 35 samples fewer for each, and a bound of the MTBF by what is left."""
    cycled = soak_outlook(_plan(cycles={"every": "12 h", "off": "30 s"}), columns=46, start=5.0)
    assert (cycled.power_cycles, cycled.samples) == (5, 259_200 - 5 * 35)
    assert cycled.running_hours == pytest.approx((259_200 - 5 * 35) / 3600)
    slow = soak_outlook(_plan(period="2 s", cycles={"every": "12 h", "off": "30 s"}), columns=46, start=5.0)
    assert slow.samples == 129_600 - 5 * 18


def test_a_first_order_rise_is_found_again() -> None:
    """A rise of 20 K with tau = 0.5 h in sensor noise; 2 K in 1 h is met where the curve itself meets it."""
    times = np.arange(0.0, 6 * HOUR, 1.0)
    rng = np.random.default_rng(1)
    case = 50.0 - 20.0 * np.exp(-times / (0.5 * HOUR)) + rng.uniform(-0.5, 0.5, times.size)
    warm = numbers.warm_up(times, case, 1.0)
    assert warm.fit is not None
    assert warm.fit.time_constant == pytest.approx(0.5 * HOUR, rel=0.01)
    assert warm.fit.final == pytest.approx(50.0, abs=0.05)
    # 2 K are left of the rise over the window that begins when 2 K + what follows is reached.
    begins = 0.5 * HOUR * math.log(20.0 * (1 - math.exp(-2.0)) / 2.0)
    assert warm.steady == pytest.approx(begins + HOUR, abs=300.0)


def test_a_gap_ends_the_record_of_the_first_rise() -> None:
    """What follows a power cycle is another rise: the fit keeps to the first stretch."""
    times = np.concatenate([np.arange(0.0, 7200.0), np.arange(7300.0, 9000.0)])
    first = 50.0 - 20.0 * np.exp(-times[:7200] / 1800.0)
    case = np.concatenate([first, np.full(1700, 20.0)])
    assert numbers.first_stretch(times, 1.0) == 7200
    assert numbers.gaps(times, 1.0) == [(7199.0, 7300.0)]
    warm = numbers.warm_up(times, case, 1.0)
    assert warm.fit is not None
    assert warm.fit.final == pytest.approx(50.0, abs=0.01)


def test_a_warm_unit_has_no_rise_worth_a_fit() -> None:
    rng = np.random.default_rng(2)
    times = np.arange(0.0, 7200.0)
    warm = numbers.warm_up(times, 50.0 + rng.uniform(-0.2, 0.2, times.size), 1.0)
    assert warm.fit is None
    assert warm.steady == pytest.approx(3600.0, abs=61.0)


def test_drift_is_certain_only_beyond_its_uncertainty() -> None:
    rng = np.random.default_rng(3)
    times = np.arange(0.0, 24 * HOUR, 10.0)
    noise = rng.normal(0.0, 1e-3, times.size)
    drifting = numbers.trend(times, 0.12 + 0.004 * times / 86400.0 + noise)
    still = numbers.trend(times, 0.12 + noise)
    assert drifting is not None
    assert drifting.certain
    assert drifting.per_day == pytest.approx(0.004, abs=3 * drifting.uncertainty)
    assert still is not None
    assert abs(still.per_day) < 4 * still.uncertainty


def test_missing_values_are_left_out_and_never_filled() -> None:
    values = np.array([1.0, math.nan, 3.0])
    band = numbers.band(values)
    assert band is not None
    assert (band.low, band.mean, band.high) == (1.0, 2.0, 3.0)
    assert numbers.band(np.array([math.nan])) is None
    assert numbers.running_time(np.array([0.0, 1.0, 50.0]), 1.0) == 3.0


def test_events_above_a_temperature_by_exact_test() -> None:
    """Three of three in half of the time: chance 1/8, by the binomial itself."""
    test = above(52.0, [55.0, 56.0, 57.0], 50.0, 100.0)
    assert test is not None
    assert test.p_value == pytest.approx(0.125)
    assert above(52.0, [55.0, None], 50.0, 100.0) is None
    near = near_starts([10.0, 7300.0], [0.0, 7200.0], 1200.0, 14400.0)
    assert near is not None
    assert (near.events_under, near.time_under) == (2, 1200.0)


def test_only_samples_count_as_time_after_a_start() -> None:
    """A gap of days is no time in which an event could have been seen, near a start or far from one."""
    times = np.concatenate([np.arange(0.0, 7200.0), np.arange(200_000.0, 207_200.0)])
    assert numbers.time_after(times, [200_000.0, 0.0], 600.0, 1.0) == 2 * 601.0
    assert numbers.time_after(times, [7300.0], 600.0, 1.0) == 0.0


def test_a_sample_that_is_missing_or_late_ends_no_record() -> None:
    """The case does not cool in two seconds: the fit continues."""
    times = np.arange(0.0, 7200.0)
    late = times.copy()
    late[3000] += 0.6
    assert numbers.first_stretch(np.delete(times, 3000), 1.0) == 7199
    assert numbers.first_stretch(late, 1.0) == 7200


def test_a_certain_chance_is_said_in_plain_figures() -> None:
    """100 %, not 1e+02 %."""
    test = above(52.0, [40.0, 41.0], 50.0, 100.0)
    assert test is not None
    assert "(probability 100 %)" in test.sentence("above 52 degC", "event")


def test_the_sentence_of_an_event() -> None:
    """What the engineer reads on Monday: when, how warm, which fault where, and what to look at."""
    fault = "fault 0x21 at position 2: output overloaded; likely cause: a dead driver; look at the load"
    words = reported("11 h 42 min", 57.31, [("left live", "the unit reports stopped"), ("fault 0x21", fault)])
    assert words == f"left live at 11 h 42 min, case 57.3 °C, {fault}; the unit reports stopped"
    assert reported("3 s", None, [("fault 0x21", fault)]) == f"new fault at 3 s, {fault}"


@pytest.mark.parametrize(
    ("hottest", "is_event", "verdict"),
    [
        (68.9, False, ReadingVerdict.CONFORMS),
        (69.5, False, ReadingVerdict.MARGINAL),
        (70.5, False, ReadingVerdict.MARGINAL),
        (71.1, True, ReadingVerdict.FAILS),
    ],
)
def test_the_hottest_sample_is_judged_as_any_reading(
    hottest: float, is_event: bool, verdict: ReadingVerdict
) -> None:
    """Within U = 1 K of 70 degC the soak is neither passed nor an event; a marginal temperature passed once."""
    case = LimitedColumn(0, Limits(None, 70.0), lambda _: 0.5, "case temperature", "temperature", "degC")
    for sample in (60.0, hottest, math.nan, 65.0):
        case.keep(sample)
    (seen,) = case.extremes()
    assert seen.fails(DecisionRule.GUARDED) is is_event
    kept: list[Reading] = []
    judge = Judge(DecisionRule.GUARDED, kept.append, lambda *_: None, check="c", slot="A", place="p")
    assert judge.record(seen.name, seen.measured, seen.limits).verdict is verdict
    if verdict is ReadingVerdict.MARGINAL:
        with pytest.raises(NotResolvable, match="highest case temperature is"):
            require_resolved(kept)


@pytest.mark.parametrize(("scatter", "is_event"), [(0.0, True), (1.0, False)])
def test_one_of_very_many_samples_is_known_less_well(scatter: float, is_event: bool) -> None:
    """4 standard deviations beyond the limit lie some of 259 200 samples of a unit that is well inside it."""
    current = LimitedColumn(
        0, Limits(None, 195.0), lambda _: 1.0, "current", "supply", "mA", lambda _: scatter
    )
    assert current.seen(199.0).fails(DecisionRule.GUARDED) is is_event
    # Beyond 2 sqrt(1 + 2.4^2) = 5.2 of them not one in a million does (normal distribution, 1e-7).
    assert current.seen(200.3).fails(DecisionRule.GUARDED)
    assert not current.seen(196.9).fails(DecisionRule.GUARDED)


def test_a_case_that_only_the_unit_tells_is_as_exact_as_its_claim() -> None:
    """5 K and a digit of 1 K: 5 / sqrt 3 and 1 / sqrt 12 (GUM 4.3.7, F.2.2.1); it was taken for exact."""
    link = SimpleNamespace(temperature_error=5.0, temperature=SimpleNamespace(step=1.0))
    soak: Any = SimpleNamespace(
        case_index=0,
        _sampler=SimpleNamespace(columns=("temperature",)),
        _stand=SimpleNamespace(signals={}),
        _unit=SimpleNamespace(profile=SimpleNamespace(link=link)),
    )
    known = SoakConditions._case_uncertainty(soak, 60.0)
    assert known == pytest.approx(math.hypot(5.0 / math.sqrt(3.0), 1.0 / math.sqrt(12.0)))
