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
    measured, limits = loaded_outputs[loaded_output], unit.limits.output(loaded_output)
    judge("voltage when off", measured.off_voltage, limits.off_voltage)
    if limits.drop is not None:
        judge("voltage drop when on", measured.drop, limits.drop)
    if limits.leakage is not None and measured.leakage is not None:
        judge("leakage when off", measured.leakage, limits.leakage)
