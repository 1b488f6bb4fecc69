"""Every point at once: what couples from one kind of point into another, and what goes wrong once in many times."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from hilseq import Clock, Together, Unit, UnitSupply, durations, wrong_when_quiet

pytestmark = [
    pytest.mark.stage("inputs"),
    pytest.mark.needs("points.inputs"),
    pytest.mark.duration(estimate=durations.together),
]


@pytest.mark.place("inputs")
def test_points_do_not_disturb_each_other(
    ready_unit: Unit, supply: UnitSupply, points_together: Callable[[], Together]
) -> None:
    """All points at once.

    Outputs, inputs and analog channels, driven all at once and independently, are right in every one of many steps,
    and over the whole range; the ports carry their frames meanwhile.
    """
    found = points_together()
    ready_unit.fail_at(*found.failure())
    found.require_steady()
    supply.note("proof", found.proven())


@pytest.mark.place("inputs")
@pytest.mark.duration(estimate=durations.together_quiet)
def test_points_while_outputs_are_off(ready_unit: Unit, clock: Clock) -> None:
    """All points while outputs are off.

    Held, and as it started, the unit reports its inputs and carries its frames as when live, and no output is on.
    """
    ready_unit.fail_at(*wrong_when_quiet(ready_unit, clock))
