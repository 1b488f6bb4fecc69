"""What a stand file says about Modbus: a device of the stand, a signal in one of its registers, the link of a unit."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator

from hilseq.description.drivers import DriverAddress
from hilseq.description.fields import Endpoint, SerialLine, Text
from hilseq.description.registers import ModbusLimits, Register
from hilseq.description.stand import Io, Link, Signal


class ModbusIo(ModbusLimits, Io):
    """One I/O simulator: a Modbus device whose registers are signals of the stand."""

    protocol: Literal["modbus tcp", "modbus rtu"] = Field(
        default="modbus tcp", description="modbus tcp or modbus rtu"
    )
    address: Endpoint | None = Field(default=None, description="HOST:PORT, for modbus tcp")
    port: Text | None = Field(default=None, description="serial port such as /dev/ttyUSB0, for modbus rtu")
    line: SerialLine = Field(default=SerialLine(), description="speed and frame, for modbus rtu")
    device_id: int = Field(default=1, ge=0, le=255, description="Modbus unit identifier")
    max_gap: int = Field(
        default=16, ge=0, description="unlisted addresses a read may run over; 0 if the device refuses them"
    )
    high_addresses: bool = Field(
        default=False,
        description="true when the device really has addresses such as 40001; otherwise they are taken for "
        "one-based documentation numbers and refused",
    )

    @model_validator(mode="after")
    def _one_way_in(self) -> Self:
        if self.protocol == "modbus tcp" and (self.address is None or self.port is not None):
            raise ValueError("modbus tcp has no serial port; expected `address` (HOST:PORT) and no `port`")
        if self.protocol == "modbus rtu" and (self.port is None or self.address is not None):
            raise ValueError(
                "modbus rtu has no network address; expected `port` (a serial port) and no `address`"
            )
        return self

    def addresses(self) -> tuple[DriverAddress, ...]:
        """Return its network address or its serial port, and the device there."""
        return (_end(self.address, self.port, f"device {self.device_id}"),)


class ModbusSignal(Register, Signal):
    """One register, coil or packed bit of an I/O simulator as a signal of the stand."""

    @model_validator(mode="after")
    def _can_be_driven(self) -> Self:
        if self.drives is not None and not self.table.writable:
            raise ValueError(
                f"a {self.table} cannot be written; expected a drive in a coil or a holding register"
            )
        return self

    @property
    def writable(self) -> bool:
        """Return whether its table can be written."""
        return self.table.writable

    @property
    def address_in_words(self) -> str:
        """Return its table."""
        return f"a {self.table}"

    @property
    def channel_in_words(self) -> str:
        """Return its table and address, as the set-up sheet names it."""
        return f"{self.table} {self.address}" + (f", bit {self.bit}" if self.bit is not None else "")


class ModbusLink(Link):
    """The way to the Modbus server of the unit in a slot."""

    address: Endpoint | None = Field(default=None, description="HOST:PORT of the unit's Modbus TCP server")
    port: Text | None = Field(default=None, description="serial port, when the unit is a Modbus RTU device")
    line: SerialLine = Field(default=SerialLine(), description="speed and frame, with `port`")

    @model_validator(mode="after")
    def _one_way_in(self) -> Self:
        if (self.address is None) == (self.port is None):
            raise ValueError(
                "this link leads nowhere, or to two places; expected either `address` (HOST:PORT) or `port` "
                "(a serial port)"
            )
        return self

    def addresses(self) -> tuple[DriverAddress, ...]:
        """Return its network address or its serial port."""
        return (_end(self.address, self.port, "the unit"),)


def _end(address: str | None, port: str | None, part: str) -> DriverAddress:
    return (
        DriverAddress("port", port or "", part)
        if address is None
        else DriverAddress("address", address, part)
    )
