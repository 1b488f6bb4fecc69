"""Modes: every position and every transition, and outputs that live only where they may."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from hilseq import (
    Clock,
    Judge,
    Loaded,
    Mode,
    ModeChange,
    NotPerformed,
    Unit,
    durations,
    identity,
    margins,
    outputs_off,
)

pytestmark = pytest.mark.stage("modes")


@pytest.mark.duration(estimate=durations.mode_change)
def test_reaches(ready_unit: Unit, mode: Mode, judge: Judge) -> None:
    """Mode reached.

    The unit reports the mode in time.
    """
    judge("time to change", ready_unit.modes.time_to(mode), ready_unit.limits.mode_change_time)


@pytest.mark.duration(estimate=durations.mode_change)
def test_changes(ready_unit: Unit, mode_change: ModeChange, judge: Judge) -> None:
    """Mode change.

    The unit goes from each mode to each other.
    """
    ready_unit.modes.move_to(mode_change.before)
    took = ready_unit.modes.time_to(mode_change.after)
    judge("time to change", took, ready_unit.limits.mode_change_time)


@pytest.mark.needs("points.outputs")
@pytest.mark.duration(estimate=durations.mode_change)
def test_outputs_follow_only_when_live(
    ready_unit: Unit, mode: Mode, measure_loads: Callable[..., dict[str, Loaded]]
) -> None:
    """Outputs by mode.

    Outputs follow their commands when live, and never otherwise; off, they let through no more than they may.
    """
    ready_unit.modes.move_to(mode)
    outputs = ready_unit.outputs
    off, on = outputs.drive(), outputs.drive(*outputs.names)
    following = [name for name in outputs.names if on[name] and not off[name]]
    if mode is Mode.LIVE:
        assert following, "no output follows its command though the unit is live"
    else:
        assert not following, f"{len(following)} outputs follow their commands though the unit is {mode}"
        beyond = margins.beyond_loads(ready_unit, measure_loads(looks=1), driven=False)
        ready_unit.fail_at(list(beyond), f"with the unit {mode}, {'; '.join(beyond.values())}")


@pytest.mark.needs("points.outputs|points.analog-outputs")
@pytest.mark.duration(estimate=durations.leaving_live)
def test_outputs_stay_off(ready_unit: Unit, quiet_change: ModeChange, clock: Clock) -> None:
    """Outputs demanded through a mode change.

    With every output demanded on, whatever was on goes off as the unit leaves live, and nothing is on afterwards.
    """
    outputs_off.change_demanded(ready_unit, quiet_change.before, quiet_change.after, clock)


@pytest.mark.place("start")
@pytest.mark.needs("points.outputs|points.analog-outputs")
@pytest.mark.duration(estimate=durations.restart_live)
def test_outputs_off_after_restart(ready_unit: Unit, clock: Clock) -> None:
    """Outputs after a restart in live.

    A unit that lost its supply live, with every output on, switches none on again before a new command.
    """
    if Mode.LIVE not in ready_unit.profile.mode_list():
        raise NotPerformed("the unit has no live mode")
    outputs_off.restart_demanded(ready_unit, clock)


@pytest.mark.place("indicator")
@pytest.mark.needs("indicator|link.indicator|link.self-test|link.supply-voltage")
@pytest.mark.duration(estimate=durations.each_mode)
def test_tells_its_state(ready_unit: Unit) -> None:
    """Indicator and reports in each mode.

    In each mode the unit's lamps and its reports say that it is well, and it tells its own supply right.
    """
    identity.assert_tells_its_state(ready_unit)


@pytest.mark.needs("link.outputs-enabled")
@pytest.mark.duration(estimate=durations.mode_change)
def test_says_whether_outputs_are_enabled(ready_unit: Unit, mode: Mode) -> None:
    """Reported output enable by mode.

    The unit reports its outputs enabled when live, and only then.
    """
    ready_unit.modes.move_to(mode)
    enabled = ready_unit.outputs_enabled()
    assert enabled is (mode is Mode.LIVE), f"the unit reports outputs enabled = {enabled} though it is {mode}"
