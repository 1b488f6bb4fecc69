"""Inputs: every input reports what drives it, alone and in company, and changes over where its type says."""

from __future__ import annotations

import pytest

from hilseq import Judge, PatternRun, Thresholds, Unit, durations

pytestmark = [
    pytest.mark.stage("inputs"),
    pytest.mark.needs("points.inputs"),
    pytest.mark.duration(estimate=durations.exchanges),
]


def test_reports(input_patterns: PatternRun, unit: Unit, input_point: str, judge: Judge) -> None:
    """Input state, isolation and delay.

    The unit reports the input as it is driven, whatever drives the others, and in time.
    """
    input_patterns.assert_follows(input_point)
    judge("input delay", input_patterns.delay(input_point), unit.limits.input_delay(input_point))


def test_changes_over_where_it_must(
    thresholds: dict[str, Thresholds], unit: Unit, threshold_input: str, judge: Judge
) -> None:
    """Input thresholds.

    The input changes over, rising and falling, inside the range of its type (IEC 61131-2).
    """
    limits = unit.limits.input_threshold(threshold_input)
    for name, measured in thresholds[threshold_input].both(threshold_input):
        judge(name, measured, limits)
