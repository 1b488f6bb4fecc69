"""A sequence as somebody else would write it: `mypy` types it strictly, tests/plugin/test_own_stage.py runs it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from hilseq import (
    Judge,
    KeepTable,
    Limits,
    Measured,
    NotPerformed,
    Parameters,
    Unit,
    UnitFault,
    durations,
    repeat,
)

pytestmark = [pytest.mark.stage("ripple"), pytest.mark.duration(estimate=durations.restart)]


@pytest.fixture
def loaded(live_unit: Unit) -> Iterator[Unit]:
    """The unit with every output on."""
    live_unit.outputs.drive(*live_unit.outputs.names)
    yield live_unit
    live_unit.outputs.drive()


@pytest.mark.parameter("ripple", "voltage limits")
@pytest.mark.parameter("readings", "number", default=5.0)
def test_ripple(loaded: Unit, judge: Judge, parameters: Parameters, keep_table: KeepTable) -> None:
    """The supply under load is as quiet as the profile asks."""
    if not loaded.outputs.names:
        raise NotPerformed("no output to load")
    count = round(parameters.value("readings"))
    high, low = repeat(loaded.supply.voltage, count), repeat(loaded.supply.voltage, count)
    ripple: Measured = 0.5 * (high - low)
    keep_table("ripple", ["voltage V"], [[high.value], [low.value]])
    limits: Limits = parameters.limits("ripple")
    if not loaded.supply.is_on:
        raise UnitFault("the supply went off under the load", place="supply")
    judge("ripple", ripple, limits)
