"""Outputs: every output follows its commands, alone and in company."""

from __future__ import annotations

import pytest

from hilseq.plugin.judge import Judge
from hilseq.procedures.patterns import PatternRun
from hilseq.procedures.unit import Unit

pytestmark = [pytest.mark.stage("outputs"), pytest.mark.needs("points.outputs")]


def test_follows(output_patterns: PatternRun, unit: Unit, output_point: str, judge: Judge) -> None:
    """The output follows its commands, whatever the others do, and in time."""
    output_patterns.assert_follows(output_point)
    judge.if_resolvable(
        "switching delay", output_patterns.delay(output_point), unit.limits.output_delay(output_point)
    )
