"""Outputs: every output follows its commands, alone and in company."""

from __future__ import annotations

import pytest

from hilseq import Judge, PatternRun, Unit, durations

pytestmark = [
    pytest.mark.stage("outputs"),
    pytest.mark.needs("points.outputs"),
    pytest.mark.duration(estimate=durations.exchanges),
]


def test_follows(output_patterns: PatternRun, unit: Unit, output_point: str, judge: Judge) -> None:
    """Output switching, isolation and delay.

    The output follows its commands, whatever the others do, and in time.
    """
    output_patterns.assert_follows(output_point)
    judge("switching delay", output_patterns.delay(output_point), unit.limits.output_delay(output_point))
