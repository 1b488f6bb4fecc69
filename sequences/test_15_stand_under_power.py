"""Set-up, second part: what of the stand can only be seen with a unit powered."""

from __future__ import annotations

import pytest

from hilseq import Bench, Unit, durations, supply_delivers, thermometers_agree

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
