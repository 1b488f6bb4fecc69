"""Power-on: the unit starts at rated supply, says it is well, and draws what a healthy one draws."""

from __future__ import annotations

import pytest

from hilseq import (
    Bench,
    Clock,
    Indicator,
    Judge,
    KeepTable,
    Measured,
    Mode,
    Unit,
    UnitSupply,
    bound_inrush,
    capture_start,
    current_by_mode,
    durations,
    loaded_current,
    outputs_off,
    peak_is_the_limit,
    repeat,
    reported_error,
)

pytestmark = [pytest.mark.stage("power-on"), pytest.mark.duration(estimate=durations.exchanges)]


@pytest.mark.gate
@pytest.mark.place("start")
@pytest.mark.duration(estimate=durations.start)
def test_starts(unit: Unit, supply: UnitSupply, judge: Judge) -> None:
    """Time to ready.

    The unit is ready in time after power comes.
    """
    supply.on()
    judge("time to ready", unit.wait_until_ready(), unit.limits.ready_time)


@pytest.mark.gate
@pytest.mark.place("self-test")
@pytest.mark.needs("link.self-test")
def test_self_test(ready_unit: Unit) -> None:
    """Self-test of the unit.

    The unit's own self-test has passed.
    """
    result = ready_unit.self_test()
    assert result == 0, f"the unit's self-test reports {result:g} instead of 0 (passed)"


@pytest.mark.gate
@pytest.mark.place("indicator")
@pytest.mark.needs("indicator|link.indicator|stand.operator.look-at-indicator")
def test_indicator(ready_unit: Unit) -> None:
    """Indicator after the self-test.

    The indicator is healthy after the self-test.
    """
    seen = ready_unit.indicator_seen()
    assert seen is Indicator.HEALTHY, f"the indicator is {seen} after the self-test"


@pytest.mark.place("temperature")
@pytest.mark.needs("link.temperature", "link.temperature-error")
def test_reports_its_temperature(ready_unit: Unit, bench: Bench, judge: Judge) -> None:
    """Reported case temperature.

    The case is as warm as the unit says it is.
    """

    def measure() -> Measured:
        return reported_error(ready_unit, bench.stand, bench.signals)

    limits = ready_unit.limits.temperature_error
    judge("error of the reported temperature", repeat(measure, 3), limits, again=measure)


@pytest.mark.gate
@pytest.mark.place("supply")
def test_current_when_idle(ready_unit: Unit, supply: UnitSupply, judge: Judge) -> None:
    """Idle current.

    Stopped, the unit draws what a healthy one draws.
    """
    judge("idle current", repeat(supply.current, 5), ready_unit.limits.idle_current, again=supply.current)


@pytest.mark.place("supply")
@pytest.mark.duration(estimate=durations.restart)
def test_inrush(ready_unit: Unit, clock: Clock, judge: Judge, keep_table: KeepTable) -> None:
    """Inrush and settling of the current.

    Switched on, the unit draws no more than it may, and its current settles.
    """
    limits = ready_unit.limits
    curve = capture_start(ready_unit, clock)
    keep_table("current after power came", ["time s", "voltage V", "current A"], curve.rows)
    if curve.waveform:
        keep_table("inrush as the supply recorded it", ["time s", "current A"], curve.waveform)
    judge("settling time of the current", curve.settling, limits.ready_time)
    if curve.peak is None:
        ready_unit.not_judged("inrush peak", bound_inrush(ready_unit, curve))
    elif why := peak_is_the_limit(ready_unit, curve):
        ready_unit.not_judged("inrush peak", why)
    elif limits.inrush_peak is not None:
        judge("inrush peak", curve.peak, limits.inrush_peak)
    if curve.charge is not None and limits.inrush_charge is not None:
        judge("inrush charge", curve.charge, limits.inrush_charge)


@pytest.mark.place("start")
@pytest.mark.needs("points.outputs|points.analog-outputs")
def test_outputs_off_while_starting(ready_unit: Unit) -> None:
    """Outputs while the unit starts.

    From the moment power comes until the unit is ready, and while it is stopped, no output is ever seen on.
    """
    outputs_off.fail_on_seen(ready_unit)


@pytest.mark.place("supply")
@pytest.mark.needs("start.live-current")
def test_current_when_live(live_unit: Unit, supply: UnitSupply, judge: Judge) -> None:
    """Live current, outputs off.

    Running live with every output off, the unit draws what a healthy one draws.
    """
    judge("live current", repeat(supply.current, 5), live_unit.limits.live_current, again=supply.current)


@pytest.mark.place("supply")
@pytest.mark.duration(estimate=durations.each_mode)
def test_current_in_each_mode(ready_unit: Unit, judge: Judge, keep_table: KeepTable) -> None:
    """Current in each mode.

    In each mode, outputs off and on, the unit's current is measured; loaded, it draws what it should.
    """
    loaded = ready_unit.limits.loaded_current
    found = current_by_mode(ready_unit)
    keep_table(
        "current in each mode", ["mode", "outputs", "current A", "± A"], [each.row() for each in found]
    )
    for each in found:
        if each.mode is Mode.LIVE and each.outputs_on and loaded is not None:
            judge("loaded current", each.amperes, loaded, again=lambda: loaded_current(ready_unit))
