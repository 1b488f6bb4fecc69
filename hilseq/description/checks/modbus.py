"""What is wrong between the Modbus entries of a stand file; asked by the Modbus drivers, and by nobody else."""

from __future__ import annotations

from hilseq.description.checks.finding import Finding, Findings
from hilseq.description.checks.modbus_limits import read_whole, written_whole
from hilseq.description.checks.registers import Use, addresses_are_zero_based, overlaps
from hilseq.description.modbus import ModbusIo, ModbusLink, ModbusSignal
from hilseq.description.profile import Profile
from hilseq.description.stand import Stand


def signals_have_their_registers(stand: Stand) -> Findings:
    """Each signal has bits of its own, at an address as on the wire, and comes in one piece."""
    uses = _signal_uses(stand)
    yield from overlaps(uses)
    yield from addresses_are_zero_based(use for use in uses if not _device(stand, use).high_addresses)
    for use in uses:
        yield from read_whole(use, _device(stand, use))
        if stand.signals[str(use.place[1])].drives is not None:
            yield from written_whole(use, _device(stand, use))


def _signal_uses(stand: Stand) -> list[Use]:
    return [
        Use(("signals", name), f"signal {name!r}", signal, device=signal.io)
        for name, signal in stand.signals.items()
        if isinstance(signal, ModbusSignal) and isinstance(stand.io.get(signal.io), ModbusIo)
    ]


def _device(stand: Stand, use: Use) -> ModbusIo:
    io = stand.io[use.device]
    assert isinstance(io, ModbusIo)
    return io


def link_has_its_own_device(stand: Stand, slot: str, profile: Profile) -> Findings:
    """No I/O simulator of the stand has both the address and the device number of the unit."""
    link = stand.slots[slot].link
    for name, io in stand.io.items():
        if not isinstance(link, ModbusLink) or not isinstance(io, ModbusIo):
            continue
        same = (link.address is not None and link.address == io.address) or (
            link.port is not None and link.port == io.port
        )
        if same and io.device_id == profile.link.device_id:
            (end,) = link.ends()
            yield Finding(
                ("slots", slot, "link", end.key),
                f"the unit in slot {slot} and io {name} are both device {io.device_id} at {end.text}",
                "an address or a device number of its own",
                seen=("link", "device"),
            )
