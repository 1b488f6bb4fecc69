"""The unit's clock, first look: it is watched from here on, while the checks of the points pass its time."""

from __future__ import annotations

import pytest

from hilseq import Clock, Judge, Unit, clock_check, durations


@pytest.mark.stage("clock and memory")
@pytest.mark.place("clock")
@pytest.mark.needs("link.clock", "clock")
@pytest.mark.duration(estimate=durations.clock_goes)
def test_clock_goes(ready_unit: Unit, clock: Clock, judge: Judge) -> None:
    """Clock.

    The unit's clock goes, and neither jumps nor stands.
    """
    judge("clock error over a few seconds", *clock_check.gained_in_between(ready_unit, clock))
