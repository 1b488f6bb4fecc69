"""The speed of the unit's fan, by the frequency of its tachometer."""

from __future__ import annotations

import pytest

from hilseq import Bench, Judge, Parameters, Unit

pytestmark = [pytest.mark.stage("speed"), pytest.mark.duration("1 s")]


@pytest.mark.place("fan")
@pytest.mark.parameter("speed", "frequency limits")
def test_fan_speed(ready_unit: Unit, bench: Bench, judge: Judge, parameters: Parameters) -> None:  # noqa: ARG001
    """Fan speed.

    With power, the fan turns as fast as the profile asks.
    """
    judge("tachometer", bench.signals.measure("tachometer"), parameters.limits("speed"))


@pytest.mark.place("chamber")
def test_chamber_follows(bench: Bench) -> None:
    """Chamber temperature.

    The chamber takes the temperature it is commanded.
    """
    bench.signals.write("chamber-set", 40.0)
    assert bench.signals.read("chamber") == pytest.approx(40.0, abs=0.5)
