"""What shows when a unit has run for some minutes: how far its clock has drifted, and what it says of itself."""

from __future__ import annotations

import pytest

from hilseq import Bench, Clock, Judge, Unit, clock_check, durations, identity


@pytest.mark.stage("clock and memory")
@pytest.mark.place("clock")
@pytest.mark.needs("link.clock", "clock")
@pytest.mark.duration(estimate=durations.clock_drift)
def test_clock_runs_right(ready_unit: Unit, bench: Bench, clock: Clock, judge: Judge) -> None:
    """Clock drift.

    The unit's clock drifts from the stand's no more than is claimed.
    """
    drift = clock_check.drift(ready_unit, clock, accuracy=bench.stand.clock_accuracy)
    judge("clock drift", drift, clock_check.drift_limits(ready_unit.profile))


@pytest.mark.stage("configuration")
@pytest.mark.place("configuration")
@pytest.mark.needs("configuration")
@pytest.mark.duration(estimate=durations.exchanges)
def test_configuration_is_still_there(ready_unit: Unit) -> None:
    """Configuration after some minutes live.

    The reference configuration that was loaded is still there when the unit has been live, without a new start.
    """
    ready_unit.baseline.require_configured()
    ready_unit.configuration.compare()


@pytest.mark.stage("outputs")
@pytest.mark.place("indicator")
@pytest.mark.needs("points.outputs")
@pytest.mark.duration(estimate=durations.mode_change)
def test_tells_its_state_loaded(live_unit: Unit) -> None:
    """Indicator and reports with every output on.

    After some minutes, with every output on, lamps and reports say that the unit is well, and it finds its neighbours.
    """
    identity.assert_tells_its_state_loaded(live_unit)
