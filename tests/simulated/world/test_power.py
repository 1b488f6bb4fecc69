"""Charging, hold-up and protection against formulas; check values of topic 9 where they are published."""

from __future__ import annotations

import math

import pytest
from hilseq_sim.world.draw import Streams
from hilseq_sim.world.feeding import Blocked, ConstantCurrent, ConstantVoltage, hold_up
from hilseq_sim.world.power_input import PowerInput
from hilseq_sim.world.supply import OVERCURRENT_DELAY, SupplyModel
from hilseq_sim.world.timeline import Approach, Timeline, exponential_crossing
from hypothesis import given
from hypothesis import strategies as st

from hilseq.description.scpi import ScpiSupply as Supply

# check value 9.1 (vbatpower.com formula page; infoneva.com worked case): C = 2 P t / (V1² - V2²)
PUBLISHED_HOLD_UP = [(114.286e-6, 200.0, 400.0, 300.0, 0.020), (57.143e-6, 100.0, 400.0, 300.0, 0.020)]
# check value 9.2 (recomputed from the same formula)
HOLD_UP_AT_24_V = [
    (4700e-6, 10.0, 24.0, 19.2, 48.73e-3),
    (4700e-6, 10.0, 20.4, 19.2, 11.17e-3),
    (2170e-6, 10.0, 20.4, 18.0, 10.0e-3),
]
# check value 9.4 (dubiumlabs.com; recomputed): share of the way after n time constants
FIRST_ORDER = [(1, 0.6321), (2, 0.8647), (3, 0.9502), (4, 0.9817), (5, 0.9933)]


def bench(capacitance: float = 2.2e-3, resistance: float = 0.5) -> tuple[Timeline, SupplyModel, PowerInput]:
    timeline = Timeline()
    description = Supply.model_validate(
        {"resource": "TCPIP::192.0.2.1::5025::SOCKET", "ceilings": {"voltage": "40 V", "current": "5 A"}}
    )
    supply = SupplyModel("main", description, timeline, Streams(1))
    fed = PowerInput(
        timeline, supply, capacitance=capacitance, resistance=resistance, start_above=18.0, stop_below=15.5
    )
    return timeline, supply, fed


@pytest.mark.parametrize(("farads", "watts", "high", "low", "seconds"), PUBLISHED_HOLD_UP + HOLD_UP_AT_24_V)
def test_hold_up_time(farads: float, watts: float, high: float, low: float, seconds: float) -> None:
    assert hold_up(farads, watts, high, low) == pytest.approx(seconds, rel=5e-4)
    assert Blocked(high, watts, farads).volts(seconds) == pytest.approx(low, rel=5e-4)


def test_a_unit_holds_up_as_long_as_its_formula_says() -> None:
    timeline, supply, fed = bench()
    fed.load = lambda: 5.0
    lost: list[float] = []
    fed.power_lost = lambda: lost.append(timeline.now)
    supply.set_voltage, supply.set_current, supply.output = 24.0, 3.0, True
    timeline.advance(1.0)
    full = fed.volts()
    supply.output = False
    timeline.advance(1.0)
    assert lost == [pytest.approx(1.0 + hold_up(2.2e-3, 5.0, full, 15.5), rel=1e-9)]


def test_the_output_impedance_takes_its_share() -> None:
    """Two amperes through 2 mOhm are 4 mV at the terminals; the source itself stays where it was set."""
    timeline, supply, fed = bench()
    fed.load = lambda: 46.0
    supply.set_voltage, supply.set_current, supply.output = 24.0, 5.0, True
    timeline.advance(5.0)
    amperes = supply.true_current()
    assert amperes == pytest.approx(2.0, rel=0.1)
    assert supply.source.volts() - supply.true_voltage() == pytest.approx(2e-3 * amperes, rel=1e-9)


def test_constant_current_charges_a_capacitor_linearly() -> None:
    piece = ConstantCurrent(0.0, 1.5, 0.0, 2.2e-3)
    assert piece.volts(0.0352) == pytest.approx(1.5 * 0.0352 / 2.2e-3)
    assert piece.time_to(24.0) == pytest.approx(2.2e-3 * 24.0 / 1.5)
    timeline, supply, fed = bench()
    supply.set_voltage, supply.set_current, supply.output = 24.0, 0.5, True
    timeline.advance(0.005)
    early = fed.volts()
    assert supply.constant_current
    timeline.advance(0.010)
    # the bleeder takes 3 mA at most
    assert fed.volts() - early == pytest.approx(0.5 * 0.010 / 2.2e-3, rel=0.01)
    assert supply.inrush()[0] == pytest.approx(0.5)


def test_a_resistance_charges_a_capacitor_exponentially() -> None:
    ohms, farads = 10.0, 1e-3
    piece = ConstantVoltage(
        0.0, source=(24.0, 0.0, 0.0), settling=1.0, load=0.0, resistance=ohms, capacitance=farads
    )
    for count, share in FIRST_ORDER:
        assert piece.volts(count * ohms * farads) == pytest.approx(24.0 * share, abs=24.0 * 1e-4)
    assert piece.charge(10.0) == pytest.approx(24.0 * farads)
    assert piece.peak(10.0) == pytest.approx(24.0 / ohms)


@given(
    start=st.floats(0.0, 30.0),
    slope=st.floats(-2000.0, 2000.0),
    gap=st.floats(-5.0, 5.0),
    settling=st.floats(1e-4, 1e-2),
    x=st.floats(0.0, 0.05),
)
def test_the_charging_curve_obeys_its_differential_equation(
    start: float, slope: float, gap: float, settling: float, x: float
) -> None:
    ohms, farads, load = 0.5, 2.2e-3, 0.1
    piece = ConstantVoltage(
        start, source=(24.0, slope, gap), settling=settling, load=load, resistance=ohms, capacitance=farads
    )
    assert piece.volts(0.0) == pytest.approx(start, abs=1e-6)
    step = 1e-7
    rate = (piece.volts(x + step) - piece.volts(x)) / step
    middle = x + 0.5 * step
    assert rate * farads == pytest.approx(piece.amperes(middle) - load, abs=2e-3, rel=1e-3)


@pytest.mark.parametrize(("count", "share"), FIRST_ORDER)
def test_first_order_approach(count: int, share: float) -> None:
    approach = Approach(0.0, tau=3.0)
    approach.aim(1.0, now=0.0)
    assert approach.at(3.0 * count) == pytest.approx(share, abs=5e-5)


def test_rise_time_is_ln_9_time_constants() -> None:
    # check value 9.5: 10..90 % in 2.1972 tau
    rise = exponential_crossing(0.0, 1.0, 1e-3, 0.9) - exponential_crossing(0.0, 1.0, 1e-3, 0.1)
    assert rise == pytest.approx(2.1972e-3, abs=1e-7)
    assert rise == pytest.approx(math.log(9.0) * 1e-3)


@pytest.mark.parametrize(
    ("start", "target", "level", "expected"),
    [
        (0.0, 1.0, 2.0, math.inf),
        (0.0, 1.0, 1.0, math.inf),
        (1.0, 0.0, 2.0, math.inf),
        (0.5, 0.5, 0.7, math.inf),
        (0.3, 1.0, 0.3, 0.0),
    ],
)
def test_a_level_that_is_never_met(start: float, target: float, level: float, expected: float) -> None:
    assert exponential_crossing(start, target, 1.0, level) == expected


def test_the_lockout_has_hysteresis() -> None:
    timeline, supply, fed = bench()
    fed.load = lambda: 2.4
    seen: list[tuple[str, float]] = []
    fed.power_good = lambda: seen.append(("good", round(fed.volts(), 6)))
    fed.power_lost = lambda: seen.append(("lost", round(fed.volts(), 6)))
    supply.set_voltage, supply.set_current, supply.output = 17.5, 2.0, True
    timeline.advance(2.0)
    assert seen == []
    for volts in (18.5, 16.0, 15.0, 17.0, 24.0):
        supply.set_voltage = volts
        timeline.advance(5.0)
    assert seen == [("good", 18.0), ("lost", 15.5), ("good", 18.0)]


def test_too_small_a_limit_makes_the_unit_hiccup_between_its_thresholds() -> None:
    timeline, supply, fed = bench()
    fed.load = lambda: 5.0
    good: list[float] = []
    fed.power_good = lambda: good.append(timeline.now)
    supply.set_voltage, supply.set_current, supply.output = 24.0, 0.2, True
    timeline.advance(3.0)
    assert len(good) > 5
    assert 15.4 < fed.volts() < 18.1


def test_overvoltage_protection_latches() -> None:
    timeline, supply, _ = bench()
    supply.overvoltage = 20.0
    supply.set_voltage, supply.set_current, supply.output = 24.0, 3.0, True
    timeline.advance(1.0)
    assert supply.overvoltage_tripped
    assert not supply.output
    supply.output = True
    assert not supply.output, "a latched protection keeps the output off"
    supply.set_voltage = 12.0
    supply.clear_protection()
    supply.output = True
    timeline.advance(1.0)
    assert supply.output
    assert supply.true_voltage() == pytest.approx(12.0, abs=0.1)


@pytest.mark.parametrize("tail", [0.0, 30.0])
def test_overvoltage_protection_looks_at_the_terminals(tail: float) -> None:
    """A current limit holds them at U = U0 + I t/C + R I long after the source is above the level (RC theory)."""
    timeline, supply, fed = bench()
    timeline.advance(tail)
    supply.overvoltage = 20.0
    supply.set_voltage, supply.set_current, supply.output = 24.0, 0.5, True
    timeline.advance(0.040)
    assert supply.source.volts() == pytest.approx(24.0, abs=0.03)
    assert supply.constant_current
    volts, terminals = fed.volts(), supply.true_voltage()
    assert terminals == pytest.approx(volts + 0.498 * 0.5, rel=1e-9)
    left = (20.0 - terminals) * 2.2e-3 / (0.5 - 0.003)  # the bleeder takes 2 to 4 mA
    timeline.advance(0.99 * left)
    assert supply.output, "the terminals are below the level"
    timeline.advance(0.02 * left)
    assert supply.overvoltage_tripped


def test_a_protection_level_set_below_the_terminals_trips_at_once() -> None:
    timeline, supply, fed = bench()
    fed.load = lambda: 24.0
    supply.set_voltage, supply.set_current, supply.output = 24.0, 3.0, True
    timeline.advance(1.0)
    terminals = supply.true_voltage()
    assert terminals < supply.source.volts() - 1e-3
    supply.overvoltage = 0.5 * (terminals + supply.source.volts())
    timeline.advance(1.0)
    assert supply.output, "what the output impedance takes does not reach the terminals"
    supply.overvoltage = terminals - 1e-4
    timeline.advance(0.0)
    assert supply.overvoltage_tripped


def test_overvoltage_protection_of_a_supply_with_nothing_on_it() -> None:
    """The last volt comes after the slew, when the output settles: the level is passed there too."""
    timeline, supply, _ = bench()
    supply.feeds.clear()
    supply.overvoltage = 23.95
    supply.set_voltage, supply.output = 24.0, True
    timeline.advance(1.0)
    assert supply.overvoltage_tripped


def test_a_shunt_across_the_terminals_loads_the_output_impedance() -> None:
    """Thévenin: e/(1 + R G) behind R/(1 + R G), R = 2 mOhm; two amperes of a unit come on top."""
    timeline, supply, fed = bench()
    fed.load = lambda: 46.0
    supply.shunt_siemens = 0.05
    supply.set_voltage, supply.set_current, supply.output = 24.0, 5.0, True
    timeline.advance(5.0)
    exact = 24.0 * supply._set_gain + supply._set_offset
    amperes, terminals = supply.true_current(), supply.true_voltage()
    assert amperes == pytest.approx(fed.amperes() + 0.05 * terminals, rel=1e-9)
    assert exact - terminals == pytest.approx(2e-3 * amperes, rel=1e-9)
    assert fed.volts() == pytest.approx(terminals - 0.498 * fed.amperes(), rel=1e-9)


def test_a_short_takes_the_whole_limit_and_no_more() -> None:
    """Norton: the limit I splits between the shunt and the capacitor that charges; the sum stays I (Kirchhoff)."""
    timeline, supply, fed = bench(capacitance=0.1)
    supply.shunt_siemens = 1.0 / 1.5
    supply.set_voltage, supply.set_current, supply.output = 24.0, 1.5, True
    timeline.advance(0.1)  # the output has settled, the capacitor charges with (1.5 + 0.5) Ohm x 0.1 F
    for _ in range(8):
        assert supply.constant_current
        assert fed.amperes() > 0.1
        assert supply.true_current() == pytest.approx(1.5, rel=1e-9)
        assert supply.true_voltage() == pytest.approx((1.5 - fed.amperes()) * 1.5, rel=1e-9)
        timeline.advance(0.02)


def test_the_terminals_make_no_step_at_the_current_limit() -> None:
    timeline, supply, _ = bench()
    supply.set_voltage, supply.set_current, supply.output = 24.0, 1.5, True
    timeline.advance(0.005)
    limited, before = supply.constant_current, supply.true_voltage()
    assert limited
    while supply.constant_current:
        before = supply.true_voltage()
        timeline.advance(1e-6)
    assert supply.true_voltage() == pytest.approx(before, abs=1e-3)


def test_two_units_load_the_output_impedance_together() -> None:
    timeline, supply, fed = bench()
    other = PowerInput(timeline, supply, capacitance=1e-3, resistance=0.5, start_above=18.0, stop_below=15.5)
    fed.load = other.load = lambda: 40.0
    supply.set_voltage, supply.set_current, supply.output = 24.0, 5.0, True
    timeline.advance(5.0)
    drop = supply.source.volts() - supply.true_voltage()
    assert drop == pytest.approx(2e-3 * (fed.amperes() + other.amperes()), rel=1e-9)
    assert drop > 6e-3


def test_overcurrent_protection_lets_an_inrush_pass_and_latches_on_an_overload() -> None:
    timeline, supply, fed = bench()
    fed.load = lambda: 2.4
    supply.overcurrent_protection = True
    supply.set_voltage, supply.set_current, supply.output = 24.0, 1.5, True
    timeline.advance(1.0)
    assert supply.output, "the inrush is over before the protection acts"
    supply.set_current = 0.05
    timeline.advance(OVERCURRENT_DELAY - 0.01)
    assert supply.output
    timeline.advance(0.02)
    assert supply.overcurrent_tripped
    assert not supply.output


def test_overcurrent_protection_sees_a_short_at_a_higher_voltage() -> None:
    """1 V drives less than the limit through 1.5 Ohm, 24 V do not: the protection acts from then on."""
    timeline, supply, _ = bench()
    supply.shunt_siemens = 1.0 / 1.5
    supply.overcurrent_protection = True
    supply.set_voltage, supply.set_current, supply.output = 1.0, 1.5, True
    timeline.advance(1.0)
    assert supply.output
    assert not supply.constant_current
    supply.set_voltage = 24.0
    timeline.advance(OVERCURRENT_DELAY + 1e-3)
    assert supply.overcurrent_tripped


def test_the_supply_settles_in_its_settling_time() -> None:
    timeline, supply, _ = bench()
    supply.set_voltage, supply.set_current, supply.output = 24.0, 3.0, True
    timeline.advance(0.05)
    # 0.1 % + 20 mV is the default accuracy
    assert supply.measure_voltage() == pytest.approx(24.0, abs=0.044)


def test_the_settled_current_is_that_of_a_constant_power() -> None:
    timeline, supply, fed = bench()
    fed.load = lambda: 2.64
    supply.set_voltage, supply.set_current, supply.output = 24.0, 3.0, True
    timeline.advance(1.0)
    volts = fed.volts()
    assert supply.true_current() == pytest.approx(2.64 / volts, rel=1e-9)
    assert supply.true_voltage() - volts == pytest.approx(0.5 * supply.true_current(), rel=0.01)


def test_the_supply_records_its_current_from_switching_on() -> None:
    """Constant current charges the capacitor in t = C U / I (RC theory, check value 9.4): so long it is 1 A."""
    timeline, supply, _ = bench()
    supply.set_voltage, supply.set_current = 20.0, 1.0
    supply.recorder.interval, supply.recorder.points = 1e-3, 100
    supply.output = True
    timeline.advance(0.2)
    assert supply.recorder.record() is None, "it was not armed"
    supply.output = False
    timeline.advance(1000.0)
    supply.recorder.arm()
    timeline.advance(0.1)
    supply.output = True
    timeline.advance(0.05)
    assert supply.recorder.record() is None, "half of it"
    timeline.advance(0.05)
    record = supply.recorder.record()
    assert record is not None
    assert len(record) == 100
    charging = 1e-3 * sum(current > 0.5 for current in record)
    assert charging == pytest.approx(2.2e-3 * 20.0 / 1.0, rel=0.05)
    assert max(record) == pytest.approx(1.0, rel=0.01)
