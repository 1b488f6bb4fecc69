"""The drivers that ship, as their entry points name them: SCPI over VISA, Modbus over TCP and serial lines, echo.

Registered in pyproject.toml as foreign ones are. Light: what speaks to an instrument is imported when one is opened.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from hilseq.description.checks import registers as register_checks
from hilseq.description.checks import stand_file
from hilseq.description.findings import Finding
from hilseq.description.modbus import ModbusIo, ModbusLink, ModbusSignal
from hilseq.description.one_spelling import one_spelling
from hilseq.description.points import Port
from hilseq.description.profile import LinkRegisters, Profile
from hilseq.description.registers import ModbusLimits, Register
from hilseq.description.scpi import ScpiSupply
from hilseq.description.stand import Stand
from hilseq.instruments.driver_protocols import ChannelsDriver, LinkDriver, SerialPartnerDriver, SupplyDriver
from hilseq.instruments.protocols import Channels, SerialPartner, SupplyOutput, UnitLink


class ScpiSupplies(SupplyDriver):
    """`hilseq.supplies`, `scpi`."""

    description = ScpiSupply

    def findings(self, stand: Stand) -> Iterable[Finding]:
        """Require that a resource is one, and that outputs of one instrument are spoken to alike."""
        mine = {name: one for name, one in stand.supplies.items() if isinstance(one, ScpiSupply)}
        for name, supply in mine.items():
            yield from stand_file.supply_resource_is_one(("supplies", name, "resource"), supply.resource)
        yield from _share_a_session(mine)

    def open(self, supplies: Mapping[str, ScpiSupply]) -> Mapping[str, SupplyOutput]:
        """Return the outputs; those of one instrument share its session."""
        from hilseq.instruments.scpi_supply import open_outputs

        return open_outputs(supplies)


#: What outputs of one instrument have in common, because they share its session.
_OF_THE_SESSION = ("deadline", "read_termination", "write_termination", "line", "greeting", "echo")


def _share_a_session(supplies: Mapping[str, ScpiSupply]) -> Iterable[Finding]:
    """Require that outputs of one instrument are different ones, and say alike how it is spoken to."""
    seen: dict[str, list[str]] = {}
    for name, supply in supplies.items():
        for address in stand_file.addresses_of_part(("supplies", name), f"supply {name}", supply):
            others = seen.setdefault(one_spelling(address, looked_up=False), [])
            others.append(name)
            if others[0] == name:
                continue
            first = supplies[others[0]]
            for other in (supplies[one] for one in others[:-1]):
                if other.output == supply.output and other.resource.lower() != supply.resource.lower():
                    wrong = f"{supply.resource} is another way to the same output as {other.resource}"
                    yield Finding(("supplies", name, "resource"), wrong, "an output of its own")
            for field in _OF_THE_SESSION:
                if getattr(supply, field) != getattr(first, field):
                    key = field.replace("_", "-")
                    wrong = (
                        f"`{key}` differs from that of supply {others[0]}, an output of the same instrument"
                    )
                    yield Finding(
                        ("supplies", name, key), wrong, f"the same `{key}`: both share one connection"
                    )


#: How often an I/O simulator is asked again for an answer that it did not give: a moment on a busy network, or of this
#: computer, is no fault of the stand.
_ONCE_MORE = 1


class ModbusChannelsDriver(ChannelsDriver):
    """`hilseq.channels`, `modbus`."""

    description = ModbusIo
    signal = ModbusSignal

    def findings(self, stand: Stand) -> Iterable[Finding]:
        """Return what is wrong with the registers of the signals."""
        return register_checks.signals_have_their_registers(stand)

    def open(self, name: str, io: ModbusIo, signals: Mapping[str, ModbusSignal]) -> Channels:
        """Return the signals of one device."""
        from hilseq.instruments.modbus import ModbusDevice
        from hilseq.instruments.register_bank import ModbusChannels

        if io.address is not None:
            device = ModbusDevice.over_tcp(
                f"io {name}",
                io.address,
                device=io.device_id,
                deadline=io.deadline,
                responsible="stand",
                quirks=io,
                repeats=_ONCE_MORE,
            )
        else:
            device = ModbusDevice.over_serial(
                f"io {name}",
                io.port or "",
                speed=io.line.speed,
                frame=io.line.frame,
                device=io.device_id,
                deadline=io.deadline,
                responsible="stand",
                quirks=io,
                repeats=_ONCE_MORE,
            )
        return ModbusChannels(signals, device, max_gap=io.max_gap, identified=io.identity is not None)


#: How often a unit is asked again for an answer that it did not give.
_REPEATS = 2


class ModbusLinks(LinkDriver):
    """`hilseq.links`, `modbus`."""

    description = ModbusLink

    def visit_findings(self, stand: Stand, slot: str, profile: Profile) -> Iterable[Finding]:
        """Require that unit and I/O simulators can be distinguished."""
        return register_checks.link_has_its_own_device(stand, slot, profile)

    def open(
        self, name: str, link: ModbusLink, registers: LinkRegisters, *, deadline: float | None = None
    ) -> UnitLink:
        """Return the unit's own Modbus server."""
        from hilseq.instruments.register_bank import ModbusUnit

        wait = link.deadline if deadline is None else deadline
        if link.address is not None:
            return ModbusUnit.over_tcp(
                name,
                link.address,
                device=registers.device_id,
                deadline=wait,
                responsible="unit",
                quirks=registers,
                repeats=_REPEATS,
            )
        return ModbusUnit.over_serial(
            name,
            link.port or "",
            speed=link.line.speed,
            frame=link.line.frame,
            device=registers.device_id,
            deadline=wait,
            responsible="unit",
            quirks=registers,
            repeats=_REPEATS,
        )


class EchoPartners(SerialPartnerDriver):
    """`hilseq.serial_partners`, `echo`: the unit sends back what it gets."""

    network = False

    def open(self, name: str, port: Port, resource: str, *, speed: float, **_: object) -> SerialPartner:
        """Return the echo at a serial port."""
        from hilseq.instruments.ports import EchoPartner, OpenPort
        from hilseq.instruments.transport import serial_transport

        line = OpenPort(name, serial_transport(resource, round(speed), port.frame), port.deadline)
        return EchoPartner(line, int(port.frame[0]), port.reserved_characters)


class ModbusSerialPartners(SerialPartnerDriver):
    """`hilseq.serial_partners`, `modbus rtu`."""

    network = False

    def open(
        self,
        name: str,
        port: Port,
        resource: str,
        *,
        speed: float,
        loopback: bool,
        mode: Register | None,
        quirks: ModbusLimits,
        place: str | None,
    ) -> SerialPartner:
        """Return the Modbus device at a serial port, or at the network port of the unit."""
        from hilseq.instruments.modbus import ModbusDevice
        from hilseq.instruments.ports import ModbusPartner

        if self.network:
            device = ModbusDevice.over_tcp(
                name,
                resource,
                device=port.device_id,
                deadline=port.deadline,
                responsible="unit",
                place=place,
                quirks=quirks,
            )
        else:
            device = ModbusDevice.over_serial(
                name,
                resource,
                speed=round(speed),
                frame=port.frame,
                device=port.device_id,
                deadline=port.deadline,
                responsible="unit",
                place=place,
                quirks=quirks,
            )
        return ModbusPartner(device, loopback=loopback, mode=mode)


class ModbusNetworkPartners(ModbusSerialPartners):
    """`hilseq.serial_partners`, `modbus tcp`: a network port of the unit."""

    network = True
