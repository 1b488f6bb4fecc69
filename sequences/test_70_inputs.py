"""Inputs: each alone with its neighbours unmoved, all, and none."""

from __future__ import annotations

import pytest

from hilseq.procedures.unit import Unit

pytestmark = [pytest.mark.stage("inputs"), pytest.mark.needs("points.inputs")]


def test_reports_alone(ready_unit: Unit, input_point: str) -> None:
    """The unit reports the input that is driven, and no other."""
    inputs = ready_unit.inputs
    before, alone, after = inputs.drive(), inputs.drive(input_point), inputs.drive()
    assert not before[input_point], f"{input_point} is reported on though nothing drives it"
    assert alone[input_point], f"{input_point} is reported off though it is driven"
    assert not after[input_point], f"{input_point} is still reported on after it was let go"
    moved = [name for name in inputs.names if name != input_point and alone[name] != before[name]]
    ready_unit.blame(moved and [input_point, *moved], f"{', '.join(moved)} moves with {input_point}")


def test_all_and_none(ready_unit: Unit) -> None:
    """All inputs are reported on together, and all off together."""
    inputs = ready_unit.inputs
    on, off = inputs.drive(*inputs.names), inputs.drive()
    dead = [name for name in inputs.names if not on[name]]
    ready_unit.blame(dead, f"with all driven, {', '.join(dead)} is reported off")
    alive = [name for name in inputs.names if off[name]]
    ready_unit.blame(alive, f"with none driven, {', '.join(alive)} is reported on")
