"""Does the profile fit the unit that answers? Everything is read once that the profile has hilseq read.

A register that the unit does not have, or has in another width, is the profile's mistake or another type of unit;
neither is a fault of this one.
"""

from __future__ import annotations

from dataclasses import dataclass

from hilseq.description.checks.profile_registers import orders, profile_uses
from hilseq.description.checks.registers import Use
from hilseq.description.profile import Profile
from hilseq.description.source_position import Place
from hilseq.errors import UnitFault, UnitInvalidResponse, UnitRefused
from hilseq.procedures.unit import Unit

#: Exceptions that say that a unit has no such thing: function, address, value (Modbus V1.1b3, 7).
_LACKS = (1, 2, 3)


@dataclass(frozen=True, slots=True)
class Misfit:
    """What a unit does not have: `place` is the key of the profile, `words` what the unit answers."""

    place: Place
    words: str


def misfits(unit: Unit) -> list[Misfit]:
    """Return what the profile has hilseq read and the unit, powered and ready, does not have.

    Nothing is said of a unit whose link is silent: that is another fault.
    """
    found = _identification(unit)
    answered, garbled = False, []
    for use in _read_uses(unit.profile):
        register = use.register
        count = use.length * (1 if register.table.holds_bits else register.kind.width)
        try:
            unit.link.read_block(register.table, register.address, count)
        except UnitRefused as refusal:
            if refusal.number in _LACKS:
                words = f"{use.what}: the unit answers a read of {register.table} {register.address} with "
                found.append(Misfit(use.place, f"{words}exception {refusal.number:02d} ({refusal.text})"))
        except UnitInvalidResponse as garbage:
            garbled.append(Misfit(use.place, f"{use.what}: {garbage}"))
        except UnitFault:
            return found
        else:
            answered = True
    # Where all of them are garbled that is the link, and no width.
    return found + (garbled if answered else [])


def _identification(unit: Unit) -> list[Misfit]:
    if unit.profile.identity.device_identification:
        try:
            unit.link.identification()
        except UnitRefused as refusal:
            if refusal.number in _LACKS:
                words = f"the unit does not offer function 43 ({refusal.text}); expected `device-identification: false`"
                return [Misfit(("identity", "device-identification"), words)]
        except UnitFault:
            pass
    return []


def _read_uses(profile: Profile) -> list[Use]:
    """Return every register that hilseq reads: what it writes only need not be readable."""
    written = {use.place for use in orders(profile)}
    return [
        use
        for use in profile_uses(profile)
        if use.place not in written or use.place == ("configuration", "first")
    ]
