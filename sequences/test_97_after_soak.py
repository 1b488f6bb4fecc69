"""After the soak: what it cannot watch is checked once more, on a unit that is still warm. Run with --soak."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from hilseq import (
    Bench,
    Clock,
    Judge,
    KeepTable,
    Loaded,
    Measured,
    Mode,
    ModeChange,
    PatternRun,
    SupplyCorner,
    Swept,
    Together,
    Unit,
    claimed_ride_through,
    clock_check,
    cycling,
    durations,
    find_ride_through,
    glance,
    identity,
    margins,
    ne43_input_bands,
    ne43_output_range,
    ne43_undriven_output,
    outputs_off,
    start_times,
    wrong_when_quiet,
)

pytestmark = [
    pytest.mark.stage("soak"),
    pytest.mark.needs("soak"),
    pytest.mark.duration(estimate=durations.exchanges),
]


@pytest.mark.place("start")
@pytest.mark.duration(estimate=durations.hot_starts)
def test_starts_hot(ready_unit: Unit, clock: Clock, judge: Judge, keep_table: KeepTable) -> None:
    """Hot starts.

    Still warm from the soak, the unit starts in time, passes its self-test and stores no fault, and all of it is as
    after the cold starts.
    """
    starts = cycling.hot_starts(ready_unit, glance.lost_since)
    keep_table("hot starts", cycling.COLUMNS, [start.row() for start in starts])
    cycling.fail_on_lost(starts)
    cycling.fail_on_failed([start for start in starts if start.wrong], "")
    slowest = start_times(ready_unit, len(starts)).largest
    judge("largest time to ready, hot", slowest, ready_unit.limits.ready_time)
    clock_check.look_where_kept(ready_unit, clock)


@pytest.mark.place("supply")
@pytest.mark.needs("margins")
@pytest.mark.duration(estimate=durations.restart)
def test_still_works_at_the_corner(
    rated_afterwards: Unit,
    supply_corner: SupplyCorner,
    clock: Clock,
    judge: Judge,
    measure_loads: Callable[..., dict[str, Loaded]],
) -> None:
    """End of the supply range, after the soak.

    Warm, too, the unit starts and works at this end of its supply range as at rated supply.
    """
    unit = rated_afterwards

    def judge_start(took: Measured) -> None:
        judge("time to ready, hot", took, unit.limits.ready_time)

    words = margins.work_at(unit, supply_corner.voltage, clock, measure_loads, judge_start)
    identity.assert_tells_its_state(unit)
    unit.supply.note("proof", words)


@pytest.mark.place("supply")
@pytest.mark.needs("margins")
@pytest.mark.duration(estimate=durations.ride_through)
def test_still_rides_through(live_unit: Unit, clock: Clock, judge: Judge, keep_table: KeepTable) -> None:
    """Ride-through, after the soak.

    Warm, too, the unit rides through interruptions of its supply, or restarts.
    """
    before = margins.stored(live_unit)
    found = find_ride_through(live_unit, clock)
    keep_table("interruptions", ["wanted s", "made s", "the unit"], found.rows)
    margins.fail_on_new_faults(live_unit, before, "after interruptions")
    judge("ride-through", found.value, claimed_ride_through(live_unit.profile))


@pytest.mark.needs("points.outputs|points.analog-outputs")
@pytest.mark.duration(estimate=durations.leaving_live)
def test_outputs_still_stay_off(ready_unit: Unit, quiet_change: ModeChange, clock: Clock) -> None:
    """Outputs after a mode change, after the soak.

    After the soak whatever was on still goes off as the unit leaves live, and nothing is on afterwards.
    """
    outputs_off.change_demanded(ready_unit, quiet_change.before, quiet_change.after, clock)


@pytest.mark.place("inputs")
@pytest.mark.needs("points.inputs")
@pytest.mark.duration(estimate=durations.together)
def test_points_still_do_not_disturb_each_other(
    ready_unit: Unit, points_together: Callable[[], Together]
) -> None:
    """All points at once after the soak.

    After the soak, too, all points are right in every one of many steps at once, and held on for a minute.
    """
    found = points_together()
    ready_unit.fail_at(*found.failure())
    found.require_steady()


@pytest.mark.place("inputs")
@pytest.mark.needs("points.inputs")
@pytest.mark.duration(estimate=durations.together_quiet)
def test_points_while_outputs_are_off_after_the_soak(ready_unit: Unit, clock: Clock) -> None:
    """All points with outputs off, after the soak.

    After the soak, too, the unit reports its inputs while it is held, and as it started, and no output is on.
    """
    ready_unit.fail_at(*wrong_when_quiet(ready_unit, clock))


@pytest.mark.needs("points.outputs")
def test_output_still_follows(output_patterns: PatternRun, output_point: str) -> None:
    """Output switching after the soak.

    After the soak the output follows its commands, whatever the others do.
    """
    output_patterns.assert_follows(output_point)


@pytest.mark.needs("points.outputs")
def test_still_carries_its_load(
    loaded_outputs: dict[str, Loaded], unit: Unit, loaded_output: str, judge: Judge
) -> None:
    """Output voltage drop after the soak.

    After the soak the output loses as little voltage to its load as before, and leaves as little when off.
    """
    loaded = loaded_outputs[loaded_output]
    for name, measured, limits in loaded.against(unit.limits.output(loaded_output)):
        judge(name, measured, limits, again=loaded.again(name))


@pytest.mark.needs("points.inputs")
def test_input_still_reports(input_patterns: PatternRun, input_point: str) -> None:
    """Input state after the soak.

    After the soak the unit reports the input as it is driven, whatever drives the others.
    """
    input_patterns.assert_follows(input_point)


def test_is_still_accurate(
    analog_sweep: dict[str, Swept], analog_point: str, judge: Judge, keep_table: KeepTable
) -> None:
    """Analog accuracy after the soak.

    After the soak the channel is as accurate over its whole range as it must be, now that it is warm.
    """
    channel = analog_sweep[analog_point]
    keep_table(*channel.curve())
    judge("largest deviation", *channel.deviation())


def test_still_tells_failures_apart(ready_unit: Unit, loop_input: str, judge: Judge) -> None:
    """Loop input failure detection after the soak.

    After the soak, too, the loop input tells under-range, over-range and both failures from a measurement (NE 43).
    """
    for name, measured, limits in ne43_input_bands(ready_unit.analog, loop_input):
        judge(name, measured, limits)


def test_still_stays_in_its_loop(ready_unit: Unit, loop_output: str, judge: Judge) -> None:
    """Loop output failure signal after the soak.

    After the soak, too, the loop output signals a failure while not driven, and never feigns one while it is (NE 43).
    """
    judge(*ne43_undriven_output(ready_unit.analog, loop_output))
    ready_unit.modes.move_to(Mode.LIVE)
    for name, measured, limits in ne43_output_range(ready_unit.analog, loop_output):
        judge(name, measured, limits)


@pytest.mark.needs("ports")
@pytest.mark.duration(estimate=durations.port_frames)
def test_still_carries_frames(ready_unit: Unit, port: str, judge: Judge) -> None:
    """Frame transfer after the soak.

    After the soak what is sent into the port comes back as it must, at every speed.
    """
    for tally in ready_unit.ports.exchange(port):
        for name, measured, limits in tally.readings():
            judge(name, measured, limits)


@pytest.mark.place("clock")
@pytest.mark.needs("link.clock", "clock", "battery")
@pytest.mark.duration(estimate=durations.clock_drift)
def test_clock_still_runs_right(ready_unit: Unit, bench: Bench, clock: Clock, judge: Judge) -> None:
    """Clock drift after the soak.

    Warm, the unit's clock drifts from the stand's no more than is claimed.
    """
    drift = clock_check.drift(ready_unit, clock, accuracy=bench.stand.clock_accuracy)
    judge("clock drift", drift, clock_check.drift_limits(ready_unit.profile))
