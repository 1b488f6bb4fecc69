"""Identity: the unit is what the profile and the work order say it is."""

from __future__ import annotations

import pytest

from hilseq import Unit, durations

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
    seen = ready_unit.identity()
    expected = ready_unit.profile.identity
    if expected.maker:
        assert seen.maker == expected.maker, f"the maker is {seen.maker!r} instead of {expected.maker!r}"
    if expected.product:
        assert seen.product == expected.product, (
            f"the product is {seen.product!r} instead of {expected.product!r}"
        )
    if expected.firmware:
        assert seen.firmware in expected.firmware, (
            f"the firmware is {seen.firmware!r}; it may ship with {', '.join(expected.firmware)}"
        )


@pytest.mark.needs("identity.serial-number")
def test_serial_number(ready_unit: Unit) -> None:
    """Serial number in the unit.

    The serial number inside the unit is the one on its label.
    """
    inside = ready_unit.serial_number_inside()
    assert inside == ready_unit.serial_digits(), (
        f"the unit says its serial number is {inside}, the label says {ready_unit.serial!r}"
    )


@pytest.mark.needs("identity.modules")
def test_finds_its_neighbours(ready_unit: Unit) -> None:
    """Neighbours found in the rack.

    The unit finds, in every rack position, the neighbour that the stand has there.
    """
    found, fitted = ready_unit.neighbours_found(), ready_unit.neighbours_fitted()
    wrong = {position: name for position, name in found.items() if name != fitted[position]}
    places = [f"neighbour {position}" for position in wrong]
    ready_unit.fail_at(
        places,
        "; ".join(f"position {p} reports {name}, the stand has {fitted[p]}" for p, name in wrong.items()),
    )
