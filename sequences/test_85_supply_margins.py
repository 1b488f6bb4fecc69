"""Supply margins: the ends of the supply range, interruptions, and a slow ramp down and up."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from hilseq import (
    Clock,
    Judge,
    KeepTable,
    Limits,
    Loaded,
    Measured,
    SupplyCorner,
    Unit,
    UnitSupply,
    claimed_ride_through,
    clock_check,
    durations,
    feeder,
    find_ride_through,
    identity,
    margins,
    sensing,
    slow_ramp,
)

pytestmark = [
    pytest.mark.stage("supply margins"),
    pytest.mark.place("supply"),
    pytest.mark.needs("margins"),
]


@pytest.mark.duration(estimate=durations.restart)
def test_works_at_the_corner(
    rated_afterwards: Unit,
    supply_corner: SupplyCorner,
    clock: Clock,
    judge: Judge,
    measure_loads: Callable[..., dict[str, Loaded]],
) -> None:
    """Operation at the end of the supply range.

    At this end of its supply range the unit starts, goes live, its outputs, inputs, analog channels and
    ports work as at rated supply, it says in each mode that it is well, and it stores no fault.
    """
    unit = rated_afterwards

    def judge_start(took: Measured) -> None:
        judge("time to ready", took, unit.limits.ready_time)

    words = margins.work_at(unit, supply_corner.voltage, clock, measure_loads, judge_start)
    identity.assert_tells_its_state(unit)
    unit.supply.note("proof", words)
    sensing.fail_on_offsets(unit)


@pytest.mark.stage("set-up")
@pytest.mark.place("stand")
@pytest.mark.duration(estimate=durations.restart)
def test_ammeter(ready_unit: Unit, supply: UnitSupply, clock: Clock) -> None:
    """Current reading of the supply.

    The supply's current limit acts where its own reading of the current says.
    """
    for words in sensing.ammeter_agrees(ready_unit, clock):
        supply.note("ammeter", words)


@pytest.mark.needs("points.outputs")
@pytest.mark.duration(estimate=durations.mode_change)
def test_way_to_the_unit(ready_unit: Unit, supply: UnitSupply, clock: Clock) -> None:
    """Voltage lost on the way to the unit.

    Little of the supply's voltage is lost between its meter and the outputs of the unit.
    """
    if words := feeder.fail_on_resistance(ready_unit, clock):
        supply.note("proof", words)
    else:
        ready_unit.not_judged(
            "the voltage lost on the way to the unit", "its outputs change the current too little"
        )


@pytest.mark.duration(estimate=durations.ride_through)
def test_rides_through(
    live_unit: Unit, supply: UnitSupply, clock: Clock, judge: Judge, keep_table: KeepTable
) -> None:
    """Ride-through of supply interruptions.

    Live and with every output on, the unit rides through interruptions of its supply, or restarts.
    """
    before = margins.stored(live_unit)
    found = find_ride_through(live_unit, clock)
    keep_table("interruptions", ["wanted s", "made s", "the unit"], found.rows)
    supply.note("ride-through", found.in_words())
    margins.fail_on_new_faults(live_unit, before, "after interruptions")
    judge("ride-through", found.value, claimed_ride_through(live_unit.profile))


@pytest.mark.duration(estimate=durations.slow_ramp)
def test_slow_ramp(
    ready_unit: Unit, supply: UnitSupply, clock: Clock, judge: Judge, keep_table: KeepTable
) -> None:
    """Slow supply ramp.

    On a slow ramp the unit goes off once, below its range, comes back once, and restarts as it must.
    """
    before, begun = margins.stored(ready_unit), clock_check.look_where_kept(ready_unit, clock)
    ramp = slow_ramp(ready_unit, clock)
    provoked = margins.provoked(ready_unit, before)
    for fault in provoked:
        supply.note("provoked by the slow ramp", str(fault))
    keep_table("slow ramp", ["time s", "voltage V", "current A"], ramp.rows)
    supply.note("slow ramp", ramp.in_words())
    lowest = ready_unit.limits.supply.low
    judge("drop-out voltage", ramp.drop_out, Limits(None, lowest))
    judge("pick-up voltage", ramp.pick_up, Limits(None, lowest))
    judge("hysteresis", ramp.hysteresis, Limits(0.0, None))
    assert ramp.draws == 1, f"the unit came on {ramp.draws} times on one slow ramp: its supply chatters"
    assert ramp.starts in (None, 1), f"the unit counts {ramp.starts} starts on one slow ramp instead of one"
    assert ready_unit.self_test() in (None, 0), "the self-test failed after a slow ramp"
    at_start, seen = ready_unit.profile.modes.at_start, ready_unit.modes.reported()
    assert seen is at_start, f"after a slow ramp the unit is {seen} instead of {at_start}"
    ended = clock_check.look_where_kept(ready_unit, clock)
    margins.assert_ramp_was_stored(ready_unit, provoked, begun, ended)
    if words := feeder.fail_on_leakage(ready_unit, ramp):
        supply.note("proof", words)
