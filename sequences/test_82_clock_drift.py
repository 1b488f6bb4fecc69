"""The unit's clock, last look: how far it has drifted since the first, and since power came."""

from __future__ import annotations

import pytest

from hilseq import Bench, Clock, Judge, Unit, clock_check, durations


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
