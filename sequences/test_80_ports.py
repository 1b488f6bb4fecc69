"""Ports: every port carries frames both ways without error."""

from __future__ import annotations

import pytest

from hilseq.procedures.unit import Unit

pytestmark = [pytest.mark.stage("ports"), pytest.mark.needs("ports")]


def test_carries_frames(ready_unit: Unit, port: str) -> None:
    """Every frame sent into the port comes back as it must, at every speed."""
    for tally in ready_unit.ports.exchange(port):
        assert tally.errors == 0, (
            f"{tally.errors} of {tally.frames} frames at {tally.speed:g} Bd failed; the first: {tally.first_error}"
        )
