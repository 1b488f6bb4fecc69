"""The ends of the unit's supply range, and what every search at its edges has in common.

Every search stays between 0 V and the upper end of the range, and never takes the supply away for longer than
the profile allows; the supply's own ceilings hold besides.
"""

from __future__ import annotations

from hilseq.clock import Clock
from hilseq.description.plans import Margins
from hilseq.description.profile import Profile
from hilseq.errors import NotPerformed, UnitFault
from hilseq.journal.entries import StoredFault
from hilseq.measured import Measured
from hilseq.procedures.faults import unusual
from hilseq.procedures.unit import Unit


def margins_of(profile: Profile) -> Margins:
    """Return what the profile says about its margins. Raises NotPerformed when it says nothing."""
    if profile.margins is None:
        raise NotPerformed("the profile describes no supply margins")
    return profile.margins


def stored(unit: Unit) -> list[StoredFault]:
    """Return the unit's stored faults; none where it keeps none."""
    return unit.faults.read() if unit.profile.faults is not None else []


def fail_on_new_faults(unit: Unit, before: list[StoredFault], when: str) -> None:
    """Raise UnitFault, at the supply and at the fault's own place, when faults were stored since `before`.

    What was stored before, at whatever time, is not new: a fault of every start says nothing of the supply.
    """
    known = {(fault.code, fault.place) for fault in before}
    new = [fault for fault in unusual(stored(unit)) if (fault.code, fault.place) not in known]
    if new:
        places = ["supply", *(fault.place for fault in new)]
        unit.fail_at(places, f"{when}, the unit stored {len(new)} new faults, first {new[0]}")


def start_at(unit: Unit, volts: float, clock: Clock) -> Measured:
    """Start the unit anew at another voltage (V); return the time to ready, s.

    A unit that does not start is left without supply. Its range says that it must: UnitFault at the supply.
    """
    unit.supply.off()
    clock.sleep(unit.profile.start.off_time)
    unit.supply.on(volts)
    try:
        return unit.wait_until_ready()
    except UnitFault as fault:
        unit.supply.power_off()
        raise UnitFault(f"at {volts:g} V {fault}", places=["supply", *fault.places]) from fault


def followers(unit: Unit) -> set[str]:
    """Drive all outputs of a live unit, then none; return those that followed both times."""
    outputs = unit.outputs
    on, off = outputs.drive(*outputs.names), outputs.drive()
    return {name for name in outputs.names if on[name] and not off[name]}


def fail_on_lost_outputs(unit: Unit, normally: set[str], volts: float) -> None:
    """Raise UnitFault, at the supply and at each output, when outputs no longer follow that normally do.

    One that does not follow at rated supply either says nothing about the supply.
    """
    lost = sorted(normally - followers(unit))
    unit.fail_at(
        ["supply", *lost] if lost else [], f"at {volts:g} V, {', '.join(lost)} does not follow any more"
    )
