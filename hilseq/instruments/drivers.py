"""The drivers that ship, as their entry points name them: SCPI over VISA, Modbus over TCP and serial lines, echo.

Registered in pyproject.toml as foreign ones are. Light: what speaks to an instrument is imported when one is opened.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from hilseq.description.checks import modbus, network
from hilseq.description.checks.finding import Finding
from hilseq.description.modbus import ModbusIo, ModbusLink, ModbusSignal
from hilseq.description.profile import LinkRegisters, Profile
from hilseq.description.scpi import ScpiSupply
from hilseq.description.stand import Stand
from hilseq.instruments.protocols import (
    Channels,
    ChannelsDriver,
    LinkDriver,
    SupplyDriver,
    SupplyOutput,
    UnitLink,
)

if TYPE_CHECKING:
    from hilseq.instruments.register_bank import ModbusUnit


class ScpiSupplies(SupplyDriver):
    """`hilseq.supplies`, `scpi`."""

    description = ScpiSupply

    def findings(self, stand: Stand) -> Iterable[Finding]:
        """Require that what begins like a VISA resource is one."""
        for name, supply in stand.supplies.items():
            if isinstance(supply, ScpiSupply):
                yield from network.resource_is_spelt_right(("supplies", name, "resource"), supply.resource)

    def open(self, supplies: Mapping[str, ScpiSupply]) -> Mapping[str, SupplyOutput]:
        """Return the outputs; those of one instrument share its session."""
        from hilseq.instruments.scpi_supply import open_outputs

        return open_outputs(supplies)


class ModbusChannelsDriver(ChannelsDriver):
    """`hilseq.channels`, `modbus`."""

    description = ModbusIo
    signal = ModbusSignal

    def findings(self, stand: Stand) -> Iterable[Finding]:
        """Return what is wrong with the registers of the signals."""
        return modbus.signals_have_their_registers(stand)

    def open(self, name: str, io: ModbusIo, signals: Mapping[str, ModbusSignal]) -> Channels:
        """Return the signals of one device."""
        from hilseq.instruments.modbus import ModbusDevice
        from hilseq.instruments.register_bank import ModbusChannels

        if io.address is not None:
            device = ModbusDevice.over_tcp(
                f"io {name}", io.address, device=io.device_id, deadline=io.deadline, owner="stand", quirks=io
            )
        else:
            device = ModbusDevice.over_serial(
                f"io {name}",
                io.port or "",
                speed=io.line.speed,
                frame=io.line.frame,
                device=io.device_id,
                deadline=io.deadline,
                owner="stand",
                quirks=io,
            )
        return ModbusChannels(signals, device, max_gap=io.max_gap, identified=io.identity is not None)


class ModbusLinks(LinkDriver):
    """`hilseq.links`, `modbus`."""

    description = ModbusLink

    def visit_findings(self, stand: Stand, slot: str, profile: Profile) -> Iterable[Finding]:
        """Require that unit and I/O simulators can be told apart."""
        return modbus.link_has_its_own_device(stand, slot, profile)

    def open(
        self, name: str, link: ModbusLink, registers: LinkRegisters, *, deadline: float | None = None
    ) -> UnitLink:
        """Return the unit's own Modbus server."""
        return open_unit(
            name,
            link.address or link.port or "",
            registers,
            rtu=link.address is None,
            speed=link.line.speed,
            frame=link.line.frame,
            deadline=link.deadline if deadline is None else deadline,
        )


def open_unit(
    name: str,
    where: str,
    registers: LinkRegisters,
    *,
    rtu: bool,
    speed: float,
    frame: str,
    deadline: float,
    device: int | None = None,
    place: str | None = None,
) -> ModbusUnit:
    """Return the Modbus server of a unit, at HOST:PORT or on a serial line; `device-id` is the profile's by default."""
    from hilseq.instruments.register_bank import ModbusUnit

    known = registers.device_id if device is None else device
    if not rtu:
        return ModbusUnit.over_tcp(
            name, where, device=known, deadline=deadline, owner="unit", place=place, quirks=registers
        )
    return ModbusUnit.over_serial(
        name,
        where,
        speed=round(speed),
        frame=frame,
        device=known,
        deadline=deadline,
        owner="unit",
        place=place,
        quirks=registers,
    )
