"""Power-on: inrush is read where the supply records it, and a bound is called a bound where it does not."""

from __future__ import annotations

import math

import pytest

from hilseq.description.profile import Mode
from hilseq.errors import NotPerformed, UnitFault
from hilseq.measured import Measured
from hilseq.procedures.power_on import (
    _settling,
    bound_inrush,
    capture_start,
    current_by_mode,
    fail_on_standing_thermometer,
    from_waveform,
    peak_is_the_limit,
)
from tests.procedures.conftest import MakeUnit
from tests.procedures.test_supply_margins import model
from tests.procedures.twin_unit import TwinUnit

_PLAIN = {"supplies.main.commands": {"measure-both": "MEAS:VOLT?;:MEAS:CURR?"}}


def test_peak_and_charge_are_what_the_capacitor_takes(good: TwinUnit) -> None:
    """The peak is the supply's limit, 1.5 A, and the charge is C V and what the unit draws meanwhile."""
    made = good
    unit = model()
    made.unit.supply.off()
    made.clock.sleep(300.0)  # the capacitor is empty then
    made.unit.supply.on()
    made.unit.wait_until_ready()
    curve = capture_start(made.unit, made.clock)
    assert curve.peak is not None
    assert curve.charge is not None
    assert curve.peak.value == pytest.approx(1.5, rel=0.002)
    # Below the 2.5 A of the profile, so that no unit could fail: no reading, and what the stand would need.
    assert "a source that gives more than 2.5 A" in peak_is_the_limit(made.unit, curve)
    # Off for 2 s the capacitor keeps some of its charge: at most C V goes in, and the load of 50 ms.
    most = unit.input.capacitance * 24.0 + 0.05 * 0.135
    assert 0.2 * most < curve.charge.value < most
    assert curve.charge.standard_uncertainty > 0.0


_RECORDING = {
    "supplies.main.commands": {
        "measure-both": "MEAS:VOLT?;:MEAS:CURR?",
        "arm-waveform": "SENS:SWE:TINT 0.0005;:SENS:SWE:POIN 200;:INIT",
        "read-waveform": "FETC:ARR:CURR?",
    },
    "supplies.main.waveform": {"interval": "0.5 ms", "length": "100 ms"},
}


def test_peak_and_charge_come_from_the_waveform_where_there_is_one(make: MakeUnit) -> None:
    """They agree with what the model says of the same start: C V, and what the unit draws meanwhile."""
    made = make(stand_changes=_RECORDING)
    made.unit.supply.off()
    made.clock.sleep(300.0)  # the capacitor is empty then
    made.unit.supply.on()
    record = made.unit.supply.waveform()
    assert record is not None
    assert len(record) == 200
    made.unit.wait_until_ready()
    found = from_waveform(record, made.unit.supply.current().value)
    assert found.peak is not None
    assert found.charge is not None
    assert found.peak.value == pytest.approx(1.5, rel=0.01)
    into_capacitor = model().input.capacitance * 24.0
    assert found.charge.value == pytest.approx(into_capacitor, rel=0.12)


def test_the_waveform_is_kept_and_judged_like_any_record(make: MakeUnit) -> None:
    """The curve of a start holds it, rising in time."""
    made = make(stand_changes=_RECORDING)
    curve = capture_start(made.unit, made.clock)
    assert [time for time, _ in curve.waveform[:3]] == [0.0, 0.0005, 0.001]
    assert curve.peak is not None
    assert curve.peak.value >= max(current for _, current in curve.waveform)


@pytest.mark.parametrize("length", ["50 ms", "2 s"])
def test_the_charge_does_not_grow_with_the_record(make: MakeUnit, length: str) -> None:
    """What the unit draws when all is over is no charge of the inrush."""
    made = make(
        stand_changes=_RECORDING
        | {"supplies.main.waveform": {"interval": "0.5 ms", "length": length}}
        | {"supplies.main.commands": _RECORDING["supplies.main.commands"] | {"arm-waveform": "INIT"}}
    )
    curve = capture_start(made.unit, made.clock)
    assert curve.charge is not None
    into_capacitor = model().input.capacitance * 24.0
    assert 0.2 * into_capacitor < curve.charge.value < 1.1 * into_capacitor


@pytest.mark.parametrize(
    "values", [[0.0] * 10, [1.5] * 10, [0.0] * 5 + [1.5] * 5, [1.5, 1.5] + [0.9] * 8], ids=str
)
def test_a_record_that_missed_the_inrush_measures_nothing(values: list[float]) -> None:
    """It ended before the current rose, or before it fell: what it shows is no peak to be judged."""
    record = [(0.001 * n, Measured(value, "A", 0.01)) for n, value in enumerate(values)]
    with pytest.raises(NotPerformed, match="ended before the inrush did"):
        from_waveform(record, 0.108)


def test_a_sharp_peak_between_two_readings_widens_the_uncertainty() -> None:
    """10 A between 2 A and 4 A: the larger step, 8 A, halved, rectangular (GUM 4.3.7)."""
    values = (2.0, 10.0, 4.0, 1.0, 1.0)
    record = [(0.001 * n, Measured(value, "A", 0.01)) for n, value in enumerate(values)]
    found = from_waveform(record, 1.0)
    assert found.peak is not None
    assert found.charge is not None
    assert found.peak.standard_uncertainty == pytest.approx(4.0 / math.sqrt(3.0), rel=1e-3)
    assert found.charge.value == pytest.approx(0.001 * (6.0 + 7.0 + 2.5 + 1.0) - 1.0 * 0.004)
    assert found.charge.standard_uncertainty == pytest.approx(0.01 * 0.004)


@pytest.mark.parametrize(("known", "settled"), [(0.001, math.inf), (0.003, 0.05)])
def test_what_a_coarse_meter_shows_is_no_unrest(known: float, settled: float) -> None:
    """A current of 100 mA that is read as 90 to 110 mA is settled where the meter may be off by 5.2 mA each way."""
    rows = [(0.1 * number, 24.0, 0.2 if number == 0 else 0.1 + 0.01 * (-1) ** number) for number in range(9)]
    assert _settling(rows, Measured(0.1, "A", known)).value == pytest.approx(settled)


def test_a_supply_without_a_record_gives_a_bound_and_says_so(make: MakeUnit) -> None:
    """The words tell that nothing was measured, and what is known all the same."""
    made = make(stand_changes=_PLAIN)
    curve = capture_start(made.unit, made.clock)
    assert (curve.peak, curve.charge) == (None, None)
    words = bound_inrush(made.unit, curve)
    assert "the inrush was not measured" in words
    assert "bounded by the supply's limit of 1.5 A" in words
    assert "at most 0.075 C" in words  # 1.5 A for the 50 ms until the voltage stood


def test_a_bound_above_the_limit_proves_nothing(make: MakeUnit) -> None:
    """Then the check is not performed, and the words say what would help."""
    made = make(stand_changes=_PLAIN, changes={"start.inrush-peak": "1 A"})
    with pytest.raises(NotPerformed, match="measure-peak-current"):
        bound_inrush(made.unit, capture_start(made.unit, made.clock))


def _kelvin(value: float) -> Measured:
    return Measured(value, "degC", 0.3)


@pytest.mark.parametrize(
    ("reported", "high", "stands"), [(30.0, 34.0, True), (33.9, 34.0, False), (30.0, 31.0, False)]
)
def test_a_thermometer_that_stands_is_no_thermometer(
    good: TwinUnit, reported: float, high: float, stands: bool
) -> None:
    """One value throughout while the case warmed up by 4 K; 1 K is no more than the stand itself may err."""
    seen = good.unit.baseline.temperatures
    seen[:] = [(_kelvin(30.0), _kelvin(30.2)), (_kelvin(reported), _kelvin(high))]
    if stands:
        with pytest.raises(UnitFault, match="30 degC throughout") as caught:
            fail_on_standing_thermometer(good.unit)
        assert caught.value.places == ("temperature",)
    else:
        fail_on_standing_thermometer(good.unit)
    seen.clear()


def test_a_start_is_followed_from_power_to_rest(good: TwinUnit) -> None:
    """Times rise, the voltage stands, and the settled current is the unit's own."""
    made = good
    curve = capture_start(made.unit, made.clock)
    times = [row[0] for row in curve.rows]
    assert times == sorted(times)
    assert times[-1] > 2.0
    idle = model().parts.idle_power / 24.0
    assert curve.settled.value == pytest.approx(idle, rel=0.02)
    assert curve.settling.value < 0.2


def test_the_start_is_timed_though_it_was_followed(good: TwinUnit) -> None:
    """Following the current costs nothing of the time to ready's exactness."""
    made = good
    capture_start(made.unit, made.clock)
    assert made.unit.starts[-1].took.standard_uncertainty < 0.01


def test_current_is_reported_for_each_mode_and_load(good: TwinUnit) -> None:
    """Outputs load the supply where they are driven, and only there."""
    found = {(each.mode, each.outputs_on): each.amperes.value for each in current_by_mode(good.unit)}
    assert set(found) == {(mode, on) for mode in Mode for on in (False, True)}
    assert found[Mode.LIVE, True] - found[Mode.LIVE, False] == pytest.approx(16 * 0.05 / 24.0, rel=0.2)
    assert found[Mode.HELD, True] == pytest.approx(found[Mode.HELD, False], rel=0.01)
