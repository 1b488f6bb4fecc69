"""What one Modbus request can carry, and what is wrong between the Modbus entries of a stand file."""

from __future__ import annotations

from hilseq.description.checks.finding import Finding, Findings
from hilseq.description.checks.profile_registers import orders, profile_uses
from hilseq.description.checks.registers import Use, addresses_are_zero_based, overlaps
from hilseq.description.modbus import ModbusIo, ModbusLink, ModbusSignal
from hilseq.description.modbus_limits import ModbusLimits
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
                seen=("link", "device-id"),
            )


def values_come_in_one_piece(profile: Profile) -> Findings:
    """Each value of the link fits the requests that the unit takes."""
    for use in profile_uses(profile):
        yield from read_whole(use, profile.link)
    for use in orders(profile):
        yield from written_whole(use, profile.link)


def fault_records_come_in_one_piece(profile: Profile) -> Findings:
    """Require that one request reads a whole record of the fault table."""
    faults, most = profile.faults, profile.link.max_read
    if faults is not None and faults.words > most:
        wrong = f"a record of {faults.words} registers, but the unit has {_largest('read', most)}"
        yield Finding(
            ("faults", "words"), wrong, f"at most {most} registers, so that one request reads it whole"
        )


def read_whole(use: Use, quirks: ModbusLimits) -> Findings:
    """Require that one request reads the whole value."""
    most = quirks.most_read(use.register.table)
    if use.register.kind.width > most:
        yield _torn(use, _largest("read", most))


def written_whole(use: Use, quirks: ModbusLimits) -> Findings:
    """Require that one request writes the whole value."""
    table = use.register.table
    most = quirks.most_written(table)
    if use.register.kind.width > most:
        single = quirks.writes == "single"
        yield _torn(use, "`writes: single`" if single else _largest("write", most))


def _largest(what: str, most: int) -> str:
    return f"`max-{what}: {most}`"


def _torn(use: Use, limit: str) -> Finding:
    wrong = f"the {use.what} takes two registers ({use.register.kind}), but its device has {limit}"
    expected = "a value of one register, or what the device really takes in one request"
    return Finding((*use.place, "type"), wrong, expected, topic="torn")
