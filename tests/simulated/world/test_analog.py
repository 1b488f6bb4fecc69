"""Analog channels of every kind: units, ranges, NE 43 levels, accuracy."""

from __future__ import annotations

from typing import Any

import pytest
from hilseq_sim.world.analog import (
    LOOP_FAILED,
    LOOP_MEASURING,
    AnalogChannel,
    pt100_resistance,
    thermocouple_voltage,
)
from hilseq_sim.world.draw import Streams
from hilseq_sim.world.timeline import Timeline
from hypothesis import given
from hypothesis import strategies as st

from hilseq.description.points import AnalogPoint


def channel(
    kind: str, accuracy: str, unit: str, *, seed: int = 1, case: float = 25.0
) -> tuple[Timeline, AnalogChannel]:
    register: dict[str, Any] = {"table": "input register", "address": 0, "scale": 0.1, "unit": unit}
    point = AnalogPoint.model_validate({"register": register, "kind": kind, "accuracy": accuracy})
    timeline = Timeline()
    return timeline, AnalogChannel("ch1", point, timeline, Streams(seed), lambda: case, slot="A")


# the middle column is what the stand puts on the terminal, in the unit of the first
CASES = [
    ("4..20 mA", "0.5 % of range", "mA", "mA", 12.0, 12.0, 0.08),
    ("4..20 mA", "0.5 % of range", "%", "mA", 12.0, 50.0, 0.5),
    ("4..20 mA", "0.5 % of range", "A", "uA", 12000.0, 0.012, 0.08e-3),
    ("0..20 mA", "0.1 % + 10 uA", "mA", "mA", 5.0, 5.0, 0.015),
    ("0..10 V", "0.2 % of range", "V", "mV", 2500.0, 2.5, 0.02),
    ("0..10 V", "0.2 % of range", "mV", "V", 2.5, 2500.0, 20.0),
    ("Pt100", "0.3 degC", "degC", "Ohm", pt100_resistance(150.0), 150.0, 0.3),
    ("Pt100", "0.3 K", "degC", "kOhm", pt100_resistance(-50.0) / 1000.0, -50.0, 0.3),
    ("Pt100", "0.3 degC", "degC", "degC", 80.0, 80.0, 0.3),
    ("thermocouple K", "2 degC", "degC", "mV", thermocouple_voltage("K", 500.0), 500.0, 2.0),
    ("thermocouple J", "2 degC", "degC", "uV", 1000.0 * thermocouple_voltage("J", 300.0), 300.0, 2.0),
]


@pytest.mark.parametrize("case", CASES, ids=lambda case: " ".join(case[:4]))
def test_an_input_reports_what_is_driven(case: tuple[str, str, str, str, float, float, float]) -> None:
    kind, accuracy, unit, symbol, driven, expected, error = case
    timeline, analog = channel(kind, accuracy, unit)
    analog.drive(driven, symbol)
    timeline.advance(0.2)
    assert analog.reading() == pytest.approx(expected, abs=0.7 * error)


@given(st.integers(0, 2**31))
def test_an_error_makes_no_step_at_the_end_of_the_range(seed: int) -> None:
    """A little below and a little above 20 mA the channel is wrong by the same, but for its noise."""
    errors = []
    for driven in (19.99, 20.01):
        timeline, analog = channel("4..20 mA", "0.5 % of range", "mA", seed=seed)
        analog.drive(driven, "mA")
        timeline.advance(0.2)
        errors.append(analog.reading() - driven)
    assert errors[0] == pytest.approx(errors[1], abs=1e-3)


@pytest.mark.parametrize("case", CASES, ids=lambda case: " ".join(case[:4]))
def test_an_output_puts_out_what_it_is_set_to(case: tuple[str, str, str, str, float, float, float]) -> None:
    kind, accuracy, unit, symbol, seen, value, error = case
    timeline, analog = channel(kind, accuracy, unit)
    analog.drive_output(value, driven=True)
    timeline.advance(0.2)
    assert analog.terminal(symbol) == pytest.approx(seen, rel=0.7 * error / abs(value))


@given(seed=st.integers(0, 10**6), milliamperes=st.floats(0.0, 22.0), case=st.floats(0.0, 60.0))
def test_a_good_channel_is_safely_inside_its_accuracy(seed: int, milliamperes: float, case: float) -> None:
    timeline, analog = channel("4..20 mA", "0.5 % of range", "mA", seed=seed, case=case)
    analog.drive(milliamperes, "mA")
    timeline.advance(0.2)
    assert abs(analog.reading() - milliamperes) <= 0.7 * 0.080


def test_a_current_output_keeps_to_the_bands_of_ne_43() -> None:
    # check value 3.11: measuring 3.8..20.5 mA; failure at most 3.6 or at least 21 mA
    assert (LOOP_MEASURING, LOOP_FAILED) == ((3.8, 20.5), (3.6, 21.0))
    timeline, analog = channel("4..20 mA", "0.1 % of range", "mA")
    for wanted, seen in ((0.0, 3.8), (25.0, 20.5)):
        analog.drive_output(wanted, driven=True)
        timeline.advance(1.0)
        assert analog.terminal("mA") == pytest.approx(seen, abs=0.016)
    analog.drive_output(12.0, driven=False)
    timeline.advance(1.0)
    assert analog.terminal("mA") <= LOOP_FAILED[0]


@pytest.mark.parametrize("milliamperes", [0.0, 3.5, 21.1, 22.0])
def test_a_current_input_can_tell_both_failures(milliamperes: float) -> None:
    timeline, analog = channel("4..20 mA", "0.1 % of range", "mA")
    analog.drive(milliamperes, "mA")
    timeline.advance(1.0)
    low, high = LOOP_FAILED
    assert analog.reading() <= low or analog.reading() >= high


def test_percent_of_a_loop_after_ne_43() -> None:
    # check value 3.14: 3.8 mA -> -1.25 %; 20.5 mA -> 103.125 %
    for milliamperes, percent in ((3.8, -1.25), (4.0, 0.0), (12.0, 50.0), (20.0, 100.0), (20.5, 103.125)):
        timeline, analog = channel("4..20 mA", "0.01 % of range", "%")
        analog.drive(milliamperes, "mA")
        timeline.advance(1.0)
        assert analog.reading() == pytest.approx(percent, abs=0.01)


def test_noise_does_not_depend_on_who_asked_before() -> None:
    """What a channel reads at an instant is the same however often it was read before."""

    def reading(*, before: int) -> float:
        timeline, one = channel("4..20 mA", "0.5 % of range", "mA")
        for _ in range(before):
            timeline.advance(0.001)
            one.reading()
        timeline.advance(0.5 - timeline.now)
        return one.reading()

    assert reading(before=0) == reading(before=1) == reading(before=7)


def test_two_readings_of_one_instant_differ() -> None:
    """Averaging helps also where no time passes between two readings."""
    _, one = channel("4..20 mA", "0.5 % of range", "mA")
    assert len({one.reading() for _ in range(5)}) == 5
