"""What a driver is: what an entry point names, and what it opens for a stand.

What is opened keeps to the protocols of `protocols`. Opening sends nothing yet.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Protocol

from hilseq.description.drivers import DescribedChannels, DescribedLink, Driver
from hilseq.instruments.protocols import Channels, SerialPartner, SupplyOutput, UnitLink

if TYPE_CHECKING:
    from hilseq.description.points import Port
    from hilseq.description.profile import LinkRegisters
    from hilseq.description.registers import ModbusLimits, Register


class SupplyDriver(Driver, Protocol):
    """A driver in the group `hilseq.supplies`. `description` derives from `Supply`."""

    @abstractmethod
    def open(self, supplies: Mapping[str, Any]) -> Mapping[str, SupplyOutput]:
        """Return the outputs of all supplies of a stand that name this driver; nothing is sent yet.

        All at once, because outputs of one instrument may have to share its connection. The values are of the
        class `description`.
        """
        ...


class ChannelsDriver(DescribedChannels, Protocol):
    """A driver in the group `hilseq.channels`. `description` derives from `Io`, `signal` from `Signal`."""

    @abstractmethod
    def open(self, name: str, io: Any, signals: Mapping[str, Any]) -> Channels:
        """Return the channels of one `io` of the stand file; nothing is sent yet."""
        ...


class LinkDriver(DescribedLink, Protocol):
    """A driver in the group `hilseq.links`. `description` derives from `Link`."""

    @abstractmethod
    def open(
        self, name: str, link: Any, registers: LinkRegisters, *, deadline: float | None = None
    ) -> UnitLink:
        """Return the link of one unit; nothing is sent yet. `deadline` in s, that of `link` by default."""
        ...


class SerialPartnerDriver(Protocol):
    """A driver in the group `hilseq.serial_partners`, named by `partner` of a port in the profile."""

    #: Whether the port is one of the unit's network: it is reached at HOST:PORT, has no line speed, and needs power.
    network: bool

    @abstractmethod
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
        """Return the partner at a `resource` of the stand, at `speed` (Bd); nothing is sent yet.

        `loopback` and `mode` tell what a unit's Modbus answers, `quirks` how it wants to be asked; `place` goes into
        faults of the unit.
        """
        ...
