"""Analog: every channel is accurate over its range both ways, alone and in company."""

from __future__ import annotations

import pytest

from hilseq import (
    Judge,
    KeepTable,
    Mode,
    Swept,
    Unit,
    durations,
    ne43_input_bands,
    ne43_output_range,
    ne43_undriven_output,
)

pytestmark = [pytest.mark.stage("analog"), pytest.mark.duration(estimate=durations.exchanges)]


def test_is_accurate(
    analog_sweep: dict[str, Swept], analog_point: str, judge: Judge, keep_table: KeepTable
) -> None:
    """Analog accuracy, hysteresis, repeatability.

    The channel is accurate over its whole range, rising and falling, and reads the same twice.
    """
    channel = analog_sweep[analog_point]
    keep_table(*channel.curve())
    keep_table(*channel.line())
    judge("largest deviation", *channel.deviation())
    judge("hysteresis", *channel.hysteresis())
    judge("repeatability (2 s)", *channel.repeatability())


def test_ignores_the_others(
    analog_sweep: dict[str, Swept], unit: Unit, analog_point: str, judge: Judge
) -> None:
    """Analog crosstalk.

    The channel stays where it is while the others go from end to end.
    """
    moved = analog_sweep[analog_point].crosstalk()
    if moved is None:
        unit.not_judged(f"crosstalk of {analog_point}", "no other channel moves")
        return
    judge("change caused by the others", *moved)


def test_tells_failures_apart(ready_unit: Unit, loop_input: str, judge: Judge) -> None:
    """Loop input failure detection.

    The loop input tells under-range, over-range and both failures from a measurement (NE 43).
    """
    for name, measured, limits in ne43_input_bands(ready_unit.analog, loop_input):
        judge(name, measured, limits)


def test_stays_in_its_loop(ready_unit: Unit, loop_output: str, judge: Judge) -> None:
    """Loop output failure signal.

    The loop output signals a failure while not driven, and never feigns one while it is (NE 43).
    """
    judge(*ne43_undriven_output(ready_unit.analog, loop_output))
    ready_unit.modes.move_to(Mode.LIVE)
    for name, measured, limits in ne43_output_range(ready_unit.analog, loop_output):
        judge(name, measured, limits)
