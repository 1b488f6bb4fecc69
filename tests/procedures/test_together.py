"""Every point at once: what comes only while all of it works is found, at its place."""

from __future__ import annotations

from pathlib import Path

from hilseq.description.profile import Mode
from hilseq.procedures.together import run_together
from tests.procedures.conftest import MakeUnit

UNIT_FAULTS = Path(__file__).with_name("unit_faults.py")


def test_a_port_that_is_mute_under_full_load_is_found(make: MakeUnit) -> None:
    """Nothing of it is seen in the steps, in which about half of the outputs are on."""
    made = make("port-mute-under-load@port 1", defect_files=(UNIT_FAULTS,))
    found = run_together(made.unit, made.clock)
    places, words = found.failure()
    assert places == ["port 1"]
    assert words == "port 1 carries no frame while every output is on"
    assert made.unit.modes.reported() is Mode.LIVE
