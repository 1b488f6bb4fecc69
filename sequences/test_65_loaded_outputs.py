"""Outputs under load: what they lose when on and let through when off, where the stand measures volts."""

from __future__ import annotations

import pytest

from hilseq.plugin.judge import Judge
from hilseq.procedures.points_load import Loaded
from hilseq.procedures.unit import Unit

pytestmark = [pytest.mark.stage("outputs"), pytest.mark.needs("points.outputs")]


def test_carries_its_load(
    loaded_outputs: dict[str, Loaded], unit: Unit, loaded_output: str, judge: Judge
) -> None:
    """On, the output loses little voltage to its load; off, it leaves next to none."""
    for name, measured, limits in loaded_outputs[loaded_output].against(unit.limits.output(loaded_output)):
        judge(name, measured, limits)
