"""Power-on: the unit starts at rated supply, says it is well, and draws what a healthy one draws."""

from __future__ import annotations

import pytest

from hilseq.description.profile import Indicator
from hilseq.plugin.judge import Judge
from hilseq.procedures.feed import Feed
from hilseq.procedures.unit import Unit

pytestmark = pytest.mark.stage("power-on")


@pytest.mark.gate
@pytest.mark.place("start")
def test_starts(unit: Unit, supply: Feed, judge: Judge) -> None:
    """The unit is ready in time after power comes."""
    supply.on()
    judge("time to ready", unit.wait_until_ready(), unit.limits.ready_time)


@pytest.mark.gate
@pytest.mark.place("self-test")
@pytest.mark.needs("link.self-test")
def test_self_test(ready_unit: Unit) -> None:
    """The unit's own self-test has passed."""
    result = ready_unit.self_test()
    assert result == 0, f"the unit's self-test reports {result:g} instead of 0 (passed)"


@pytest.mark.gate
@pytest.mark.place("indicator")
def test_indicator(ready_unit: Unit) -> None:
    """The indicator is healthy after the self-test."""
    seen = ready_unit.indicator_seen()
    assert seen is Indicator.HEALTHY, f"the indicator is {seen} after the self-test"


@pytest.mark.gate
@pytest.mark.place("supply")
def test_current_when_idle(ready_unit: Unit, supply: Feed, judge: Judge) -> None:
    """The unit draws what a healthy one draws."""
    judge("idle current", supply.current(), ready_unit.limits.idle_current)


@pytest.mark.place("supply")
@pytest.mark.needs("start.live-current")
def test_current_when_live(live_unit: Unit, supply: Feed, judge: Judge) -> None:
    """Running live with every output off, the unit draws what a healthy one draws."""
    judge("live current", supply.current(), live_unit.limits.live_current)
