"""Outputs under load: what they lose when on and let through when off, where the stand measures volts."""

from __future__ import annotations

import pytest

from hilseq import Judge, Loaded, Unit, durations

pytestmark = [
    pytest.mark.stage("outputs"),
    pytest.mark.needs("points.outputs"),
    pytest.mark.duration(estimate=durations.exchanges),
]


def test_carries_its_load(
    loaded_outputs: dict[str, Loaded], unit: Unit, loaded_output: str, judge: Judge
) -> None:
    """Output voltage drop and leakage.

    On, the output loses little voltage to its load; off, it leaves next to none.
    """
    loaded = loaded_outputs[loaded_output]
    for name, measured, limits in loaded.against(unit.limits.output(loaded_output)):
        judge(name, measured, limits, again=loaded.again(name))
