"""A stand and a unit that take less than the specification are asked for what they take, everywhere."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from hilseq.errors import UnitFault
from hilseq.instruments.register_bank import ModbusUnit
from hilseq.procedures.soak.sampler import Sampler

if TYPE_CHECKING:
    from tests.procedures.conftest import MakeUnit
    from tests.procedures.twin_unit import TwinUnit

#: Five registers: a record of the fault table (4) fits once, and a second one would be torn.
FEW = {"max-read": 5, "max-write": 3, "max-bit-read": 7, "max-bit-write": 5}


def picky(make: MakeUnit, **quirks: Any) -> TwinUnit:
    """Start a twin whose rack and unit have these quirks; it refuses what does not go with them."""
    given = {name.replace("_", "-"): value for name, value in quirks.items()}
    return make(
        stand_changes={f"io.rack.{key}": value for key, value in given.items()},
        changes={f"link.{key}": value for key, value in given.items()},
    )


@pytest.mark.parametrize(
    "quirks",
    [FEW, {"writes": "single", "bit-writes": "single"}, {"writes": "several", "bit-writes": "several"}],
    ids=["few at once", "one at a time", "never one"],
)
def test_everything_goes_with_what_the_devices_take(make: MakeUnit, quirks: dict[str, Any]) -> None:
    """Snapshot, drives, outputs, fault table, configuration and a sample of the soak: none is refused."""
    found = picky(make, **quirks)
    unit, signals = found.unit, found.bench.signals
    assert len(signals.snapshot()) == len(signals.signals)
    drives = {name: 1.0 for name, signal in signals.signals.items() if signal.drives and signal.is_bit}
    signals.write_many(drives)
    signals.release()
    unit.outputs.command()
    unit.configuration.load()
    unit.configuration.compare()
    unit.faults.read()
    unit.faults.clear()
    sample = Sampler(unit, found.bench.stand, signals, found.clock).take()
    assert sample.silence == ""


def test_a_twin_that_takes_less_refuses_more(make: MakeUnit) -> None:
    """The twin is as picky as its description: without the key in ours, it refuses."""
    found = picky(make, **FEW)
    link = found.unit.link
    assert isinstance(link, ModbusUnit)
    table = found.profile.faults
    assert table is not None
    with pytest.raises(UnitFault, match="error 3"):
        link.data(request := b"\x04\x00\x64\x00\x06", link.exchange(request))
