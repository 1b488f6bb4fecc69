"""Closing: the last look, after power cycling and after a soak. Whatever broke during the visit is found here.

The unit is still as warm as the visit has made it. What was measured before is measured once more, shortly.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import pytest

from hilseq import (
    Bench,
    Clock,
    Judge,
    KeepFaults,
    KeepTable,
    Limits,
    Loaded,
    Measured,
    Mode,
    NotPerformed,
    PatternRun,
    SpotCheck,
    Unit,
    UnitSupply,
    battery,
    clock_check,
    cycling,
    durations,
    fail_on_standing_thermometer,
    identity,
    link_check,
    margins,
    outputs_off,
    repeat,
    reported_error,
    sensing,
)

pytestmark = [pytest.mark.stage("closing"), pytest.mark.duration(estimate=durations.exchanges)]


@pytest.mark.place("self-test")
@pytest.mark.needs("link.self-test")
def test_self_test_at_the_end(ready_unit: Unit) -> None:
    """Self-test at the end.

    The unit's self-test has passed at its last start, too.
    """
    result = ready_unit.self_test()
    assert result == 0, f"at the end the unit's self-test reports {result:g} instead of 0 (passed)"


@pytest.mark.place("indicator")
@pytest.mark.needs("indicator|link.indicator|link.supply-voltage|link.outputs-enabled")
@pytest.mark.duration(estimate=durations.each_mode)
def test_tells_its_state_at_the_end(ready_unit: Unit) -> None:
    """Indicator and reports by mode, at the end.

    In each mode the unit's lamps and reports still say that it is well, and it tells its supply and outputs right.
    """
    identity.assert_tells_its_state(ready_unit)


@pytest.mark.place("temperature")
@pytest.mark.needs("link.temperature", "link.temperature-error")
def test_reports_its_temperature_at_the_end(ready_unit: Unit, bench: Bench, judge: Judge) -> None:
    """Reported case temperature at the end.

    As warm as it has become, the case is still as warm as the unit says it is.
    """

    def measure() -> Measured:
        return reported_error(ready_unit, bench.stand, bench.signals)

    limits = ready_unit.limits.temperature_error
    judge("error of the reported temperature at the end", repeat(measure, 3), limits, again=measure)
    fail_on_standing_thermometer(ready_unit)


@pytest.mark.place("supply")
def test_current_when_idle_at_the_end(ready_unit: Unit, supply: UnitSupply, judge: Judge) -> None:
    """Idle current at the end.

    Stopped, the unit still draws what a healthy one draws.
    """
    judge(
        "idle current at the end",
        repeat(supply.current, 5),
        ready_unit.limits.idle_current,
        again=supply.current,
    )


@pytest.mark.place("supply")
@pytest.mark.needs("start.live-current")
def test_current_when_live_at_the_end(live_unit: Unit, supply: UnitSupply, judge: Judge) -> None:
    """Live current at the end, outputs off.

    Live, with every output off, the unit still draws what a healthy one draws.
    """
    judge(
        "live current at the end",
        repeat(supply.current, 5),
        live_unit.limits.live_current,
        again=supply.current,
    )


@pytest.mark.duration(estimate=durations.mode_change)
def test_reaches_at_the_end(ready_unit: Unit, mode: Mode, judge: Judge) -> None:
    """Mode reached at the end.

    The unit still reports each mode in time.
    """
    judge("time to change at the end", ready_unit.modes.time_to(mode), ready_unit.limits.mode_change_time)


@pytest.mark.needs("points.outputs")
@pytest.mark.duration(estimate=durations.one_of_many)
def test_output_follows_at_the_end(output_patterns: PatternRun, output_point: str) -> None:
    """Output switching at the end.

    The output still follows its commands, whatever the others do.
    """
    output_patterns.assert_follows(output_point)


@pytest.mark.place("outputs")
@pytest.mark.needs("points.outputs")
def test_carry_their_loads_at_the_end(
    live_unit: Unit, measure_loads: Callable[..., dict[str, Loaded]]
) -> None:
    """Loads of the outputs at the end.

    Where the stand measures them, the outputs still lose no more than they may, and let no more through when off.
    """
    if not live_unit.outputs.measured:
        live_unit.not_judged("the loads of the outputs at the end", "the stand measures no voltage there")
        return
    beyond = margins.beyond_loads(live_unit, measure_loads(looks=1))
    live_unit.fail_at(list(beyond), "; ".join(beyond.values()))


@pytest.mark.needs("points.inputs")
@pytest.mark.duration(estimate=durations.one_of_many)
def test_input_reports_at_the_end(input_patterns: PatternRun, input_point: str) -> None:
    """Input state at the end.

    The unit still reports the input as it is driven, whatever drives the others.
    """
    input_patterns.assert_follows(input_point)


@pytest.mark.duration(estimate=durations.one_of_many)
def test_analog_at_the_end(analog_spots: dict[str, SpotCheck], analog_point: str, judge: Judge) -> None:
    """Analog accuracy at the end.

    The channel is still as accurate as it must be, at one point of its range.
    """
    judge("deviation at the end", *analog_spots[analog_point].deviation())


@pytest.mark.needs("ports")
@pytest.mark.duration(estimate=durations.mode_change)
def test_port_carries_frames_at_the_end(ready_unit: Unit, supply: UnitSupply, port: str) -> None:
    """Frame transfer at the end.

    Some frames that are sent into the port still come back as they must, long ones too, while every output and input
    is on.
    """
    ready_unit.switch_all_on()
    ready_unit.ports.assert_carries(port)
    ready_unit.ports.assert_long_frames(port)
    supply.note("proof", ready_unit.ports.proven(port))


@pytest.mark.needs("identity.device-identification")
@pytest.mark.place("identity")
def test_says_what_it_is_at_the_end(ready_unit: Unit) -> None:
    """Maker, product and firmware at the end.

    Maker, product and firmware are still those of the profile.
    """
    identity.assert_names(ready_unit)


@pytest.mark.needs("identity.serial-number")
@pytest.mark.place("identity")
def test_serial_number_at_the_end(ready_unit: Unit) -> None:
    """Serial number at the end.

    The serial number inside the unit is still the one on its label.
    """
    identity.assert_serial_number(ready_unit)


@pytest.mark.needs("identity.modules")
@pytest.mark.place("identity")
def test_finds_its_neighbours_at_the_end(ready_unit: Unit) -> None:
    """Neighbours found in the rack at the end.

    The unit still finds, in every rack position, the neighbour that the stand has there.
    """
    identity.assert_neighbours(ready_unit)


@pytest.mark.place("configuration")
@pytest.mark.needs("configuration")
def test_configuration_at_the_end(ready_unit: Unit) -> None:
    """Configuration at the end.

    The reference configuration that was loaded is still there.
    """
    battery.must_be_in(ready_unit)
    ready_unit.baseline.require_configured()
    ready_unit.configuration.compare()


@pytest.mark.place("clock")
@pytest.mark.needs("link.clock", "clock", "battery")
def test_clock_at_the_end(ready_unit: Unit, clock: Clock, judge: Judge) -> None:
    """Clock at the end.

    The clock goes, and has gone on through every start of the visit.
    """
    battery.must_be_in(ready_unit)
    clock_check.fail_on_jump(ready_unit)
    judge("clock error over a few seconds at the end", *clock_check.gained_in_between(ready_unit, clock))
    judge("clock error since it was first looked at", *clock_check.gained_in_visit(ready_unit, clock))


@pytest.mark.place("battery")
@pytest.mark.needs("battery", "link.battery-voltage")
def test_battery_at_the_end(ready_unit: Unit, judge: Judge) -> None:
    """Battery voltage at the end.

    The memory battery still has the voltage it needs.
    """
    battery.must_be_in(ready_unit)
    described = ready_unit.profile.battery
    assert described is not None
    measure = partial(battery.voltage, ready_unit)
    judge("battery voltage at the end", repeat(measure, 3), Limits(described.lowest, None), again=measure)


@pytest.mark.place("start")
@pytest.mark.needs("points.outputs|points.analog-outputs")
def test_outputs_stayed_off(ready_unit: Unit, supply: UnitSupply, keep_table: KeepTable) -> None:
    """Outputs off where they must be, whole visit.

    At every start, mode change, interruption and ramp of the visit, no output was seen on that had to be off.
    """
    keep_table(*ready_unit.off_watch.table())
    supply.note("proof", ready_unit.off_watch.resolution())
    outputs_off.fail_on_seen(ready_unit)


@pytest.mark.place("start")
@pytest.mark.needs("link.starts")
def test_started_with_its_supply_only(ready_unit: Unit) -> None:
    """Starts, whole visit.

    By its own counter the unit has started only when its supply came.
    """
    cycling.fail_on_own_starts(ready_unit)


@pytest.mark.place("stored faults")
@pytest.mark.needs("faults")
def test_no_fault_since(ready_unit: Unit, keep_faults: KeepFaults) -> None:
    """Fault table at the end.

    The unit has stored nothing that the visit does not know of, and its counter agrees with its table.
    """
    stored = ready_unit.faults.read()
    keep_faults("at the end", stored)
    if not ready_unit.baseline.faults.begun:
        raise NotPerformed(
            "the fault table was not read before in this visit: there is nothing to compare with"
        )
    new = ready_unit.read_new_faults()
    ready_unit.fail_at(
        [fault.place for fault in new], f"during the visit the unit stored {new[0] if new else 'nothing'}"
    )
    ready_unit.faults.assert_counted(stored)


@pytest.mark.place("stored faults")
@pytest.mark.needs("faults.clear")
@pytest.mark.duration(estimate=durations.restart)
def test_provoked_faults_are_cleared(ready_unit: Unit, keep_faults: KeepFaults) -> None:
    """Faults that the stand provoked, cleared.

    What the stand's own interruptions left in the fault table is cleared, and a new start adds nothing.
    """
    if not ready_unit.baseline.faults.begun:
        raise NotPerformed(
            "the fault table was not read before in this visit: what is the stand's is not known"
        )
    provoked = ready_unit.baseline.faults.provoked(ready_unit.faults.read())
    keep_faults(margins.PROVOKED, provoked)
    if provoked:
        ready_unit.faults.clear()
        ready_unit.restart()
    left = ready_unit.baseline.faults.provoked(ready_unit.faults.read())
    keep_faults("cleared, after a new start", left)
    ready_unit.fail_at(
        [fault.place for fault in left],
        f"what the stand provoked is cleared, and after a new start the unit reports {left[0] if left else 'nothing'}",
    )


@pytest.mark.stage("set-up")
@pytest.mark.place("stand")
@pytest.mark.needs("points.outputs")
@pytest.mark.duration(estimate=durations.mode_change)
def test_channels_at_the_end(ready_unit: Unit, bench: Bench, supply: UnitSupply) -> None:
    """Channels at the unit, at the end.

    Where two channels sense one output, they still agree on it in every pattern: none has failed during the visit.
    """
    if words := sensing.channels_agree(bench, ready_unit):
        supply.note("proof", words)


@pytest.mark.place("link")
def test_link(ready_unit: Unit, supply: UnitSupply, keep_table: KeepTable) -> None:
    """Link, whole visit.

    No exchange with the unit was lost, answered wrongly or refused that came right when it was asked again, and no
    point was read wrong once.
    """
    keep_table(*link_check.table(ready_unit))
    ready_unit.fail_at(*link_check.misread(ready_unit.baseline.misread))
    supply.note("proof", link_check.assert_reliable(ready_unit))
