"""What of a stand shows only with a unit powered: supply, link, network ports, neighbours."""

from __future__ import annotations

from hilseq.errors import NotPerformed, StandFault, UnitFault
from hilseq.instruments.modbus import ModbusDevice
from hilseq.procedures.readiness import Look, Looks
from hilseq.procedures.self_check import supply_delivers
from hilseq.procedures.unit import Unit


def powered_looks(unit: Unit) -> Looks:
    """Power one unit and look at the stand through it. Whether the unit is well is not judged here.

    It is left powered. Raises StandFault, Interlock.
    """
    unit.supply.on()
    yield _supply(unit)
    yield _link(unit)
    yield from _network_ports(unit)
    yield from _neighbours(unit)


def _supply(unit: Unit) -> Look:
    name = f"supply {unit.supply.instrument.name}"
    try:
        return Look("under power", name, True, supply_delivers(unit), (name,))
    except StandFault as fault:
        return Look("under power", name, False, str(fault), fault.places)
    except NotPerformed as reason:
        return Look("under power", name, None, str(reason), (name,))


def _link(unit: Unit) -> Look:
    what = f"link of slot {unit.slot}"
    try:
        took = unit.wait_until_ready()
    except UnitFault as fault:
        return Look("under power", what, False, f"{fault}; is a good unit in the slot?", (what,))
    return Look("under power", what, True, f"the unit is ready {took.value:.2f} s after power came", (what,))


def _network_ports(unit: Unit) -> Looks:
    for name, port in unit.profile.ports.items():
        if port.partner != "modbus tcp":
            continue
        resource = unit.described.ports[name].resource
        device = ModbusDevice.over_tcp(
            name, resource, device=port.device_id, deadline=port.deadline, owner="unit", place=name
        )
        try:
            device.open()
        except UnitFault as fault:
            yield Look("ports", f"{name} of slot {unit.slot}", False, str(fault), (name,))
        else:
            yield Look(
                "ports", f"{name} of slot {unit.slot}", True, f"{resource} accepts a connection", (name,)
            )
        finally:
            device.close()


def _neighbours(unit: Unit) -> Looks:
    """Compare what the unit reports in each rack position with the stand file."""
    try:
        found = unit.neighbours_found()
    except (NotPerformed, UnitFault) as reason:
        yield Look("neighbours", f"slot {unit.slot}", None, str(reason))
        return
    for position, expected in unit.neighbours_fitted().items():
        place = f"neighbour {position}"
        seen = found[position]
        if seen == expected:
            yield Look(
                "neighbours",
                f"{place} of slot {unit.slot}",
                True,
                f"{seen}, as the stand file says",
                (place,),
            )
        else:
            words = f"the unit reports {seen}, the stand file says {expected}: look which one is fitted"
            yield Look("neighbours", f"{place} of slot {unit.slot}", False, words, (place,))
