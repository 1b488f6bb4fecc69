"""Outputs: each alone with its neighbours unmoved, all, and none."""

from __future__ import annotations

import pytest

from hilseq.procedures.unit import Unit

pytestmark = [pytest.mark.stage("outputs"), pytest.mark.needs("points.outputs")]


def test_follows_alone(live_unit: Unit, output_point: str) -> None:
    """The output follows its command, and no other moves with it."""
    outputs = live_unit.outputs
    before, alone, after = outputs.drive(), outputs.drive(output_point), outputs.drive()
    assert not before[output_point], f"{output_point} is on though it is commanded off"
    assert alone[output_point], f"{output_point} stays off though it is commanded on"
    assert not after[output_point], f"{output_point} stays on after it was commanded off"
    moved = [name for name in outputs.names if name != output_point and alone[name] != before[name]]
    live_unit.blame(moved and [output_point, *moved], f"{', '.join(moved)} moves with {output_point}")


def test_all_and_none(live_unit: Unit) -> None:
    """All outputs come on together, and all go off together."""
    outputs = live_unit.outputs
    on, off = outputs.drive(*outputs.names), outputs.drive()
    dead = [name for name in outputs.names if not on[name]]
    live_unit.blame(dead, f"with all commanded on, {', '.join(dead)} stays off")
    alive = [name for name in outputs.names if off[name]]
    live_unit.blame(alive, f"with none commanded on, {', '.join(alive)} is on")
