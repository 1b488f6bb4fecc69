"""An I/O simulator that lets go of its drives looks like a unit that leaves its mode: the stand is blamed."""

from __future__ import annotations

from pathlib import Path

import pytest

from hilseq.description.profile import Mode
from hilseq.description.registers import RegisterTable
from hilseq.errors import InstrumentReset, StandFault
from hilseq.instruments.modbus import ModbusDevice
from hilseq.procedures.self_check import SelfCheck
from hilseq.procedures.soak.conditions import overloads
from hilseq.procedures.together import wrong_when_quiet
from tests.procedures.conftest import MakeUnit
from tests.procedures.twin_unit import TwinUnit

#: The coils of the mode switch on the shipped stand.
SWITCH, CONTACTS = 16, 3


@pytest.fixture
def left(good: TwinUnit) -> TwinUnit:
    """A good unit that has left `live`, because its rack has opened every contact of the mode switch."""
    good.unit.modes.move_to(Mode.LIVE)
    with ModbusDevice.over_tcp("somebody else", good.twin.endpoints["io rack"]) as other:
        other.write_block(RegisterTable.COIL, SWITCH, [0] * CONTACTS, verify=True)
    return good


def test_the_self_check_finds_it(left: TwinUnit) -> None:
    """Asked before the unit is blamed, whatever the check was."""
    with pytest.raises(InstrumentReset, match=r"io rack .* has let go of what it drove"):
        SelfCheck(left.bench, left.unit.slot).against(("modes",))


def test_it_is_found_before_the_drives_are_written_anew(left: TwinUnit) -> None:
    """The clean-up of a check would wipe it out; it tells, and cleans up all the same."""
    with pytest.raises(InstrumentReset, match=r"s\d was written as 1 and reads back as 0"):
        left.unit.return_to_idle()
    left.unit.return_to_idle()
    assert left.unit.modes.wait_for(left.profile.modes.at_start, left.clock.now()) is not None


def test_a_soak_holds_no_sign_against_such_a_unit(left: TwinUnit) -> None:
    """The stand is asked before a sign counts; the soak comes back from that as from any lost instrument."""
    with pytest.raises(InstrumentReset, match="has let go of what it drove"):
        overloads(left.unit)


def test_a_stand_that_holds_its_drives_clears_nobody(good: TwinUnit) -> None:
    """What the unit does stays the unit's."""
    good.unit.modes.move_to(Mode.LIVE)
    assert overloads(good.unit) == []
    asked = SelfCheck(good.bench, good.unit.slot).against(("q01",))
    assert "io rack answers" in asked


@pytest.mark.parametrize("drive", ["i11", "ai2"])
def test_a_contact_that_opens_now_and_then_is_the_stands(make: MakeUnit, drive: str) -> None:
    """Its read-back shows it at the moment at which the unit is wrong, and a while later nothing does."""
    made = make(f"contact-lets-go@{drive}", defect_files=(Path(__file__).with_name("unit_faults.py"),))
    with pytest.raises(StandFault, match=f"let go for a moment .{drive} ") as caught:
        wrong_when_quiet(made.unit, made.clock)
    assert caught.value.places == (drive,)
