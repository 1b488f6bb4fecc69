"""Identity: the unit is what the profile and the work order say it is."""

from __future__ import annotations

import pytest

from hilseq import Unit, durations, identity

pytestmark = [
    pytest.mark.stage("identity"),
    pytest.mark.place("identity"),
    pytest.mark.duration(estimate=durations.exchanges),
]


@pytest.mark.gate
@pytest.mark.needs("identity.device-identification")
def test_says_what_it_is(ready_unit: Unit) -> None:
    """Maker, product and firmware.

    Maker, product and firmware are those of the profile.
    """
    identity.assert_names(ready_unit)


@pytest.mark.needs("identity.serial-number")
def test_serial_number(ready_unit: Unit) -> None:
    """Serial number in the unit.

    The serial number inside the unit is the one on its label.
    """
    identity.assert_serial_number(ready_unit)


@pytest.mark.needs("identity.modules")
def test_finds_its_neighbours(ready_unit: Unit) -> None:
    """Neighbours found in the rack.

    The unit finds, in every rack position, the neighbour that the stand has there.
    """
    identity.assert_neighbours(ready_unit)
