"""Set-up, second part: what of the stand can only be seen with a unit powered."""

from __future__ import annotations

import pytest

from hilseq import Bench, Unit, UnitSupply, durations, sensing, supply_delivers, thermometers_agree

pytestmark = [
    pytest.mark.stage("set-up"),
    pytest.mark.place("stand"),
    pytest.mark.gate,
    pytest.mark.duration(estimate=durations.exchanges),
]


def test_supply_delivers(ready_unit: Unit) -> None:
    """Supply voltage at the unit.

    The supply reads what it is set to, with the unit powered.
    """
    supply_delivers(ready_unit)


@pytest.mark.needs("link.temperature")
def test_thermometers(ready_unit: Unit, bench: Bench) -> None:
    """Thermometers at the unit.

    No thermometer of the stand is contradicted by what the others and the unit say.
    """
    thermometers_agree(bench, ready_unit)


@pytest.mark.needs("points.outputs|points.analog-inputs|points.analog-outputs")
@pytest.mark.duration(estimate=durations.mode_change)
def test_channels(ready_unit: Unit, bench: Bench, supply: UnitSupply) -> None:
    """Channels at the unit.

    Where two channels sense one output, they agree on it in every pattern; what the stand cannot know of its channels
    is said.
    """
    sensing.say_what_is_untested(bench, ready_unit)
    if words := sensing.channels_agree(bench, ready_unit):
        supply.note("proof", words)
