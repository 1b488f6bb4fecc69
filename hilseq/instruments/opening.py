"""How the instruments of a stand are opened: here, by their drivers; or by somebody who has them open already."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from hilseq.description.drivers import find_driver
from hilseq.description.stand import Stand, Supply
from hilseq.instruments.protocols import Channels, SupplyOutput


class Opening(Protocol):
    """Whoever opens instruments. Nothing is sent before the first call to what was opened."""

    def outputs(self, described: Mapping[str, Supply]) -> Mapping[str, SupplyOutput]:
        """Return the outputs of supplies by name."""
        ...

    def channels(self, stand: Stand, name: str) -> Channels:
        """Return the channels of one `io` of a stand."""
        ...


class OwnConnections(Opening):
    """Each instrument by the driver that the stand file names, over a connection of this process."""

    def outputs(self, described: Mapping[str, Supply]) -> Mapping[str, SupplyOutput]:
        """Return the outputs of supplies by name; those of one instrument may share its connection."""
        outputs: dict[str, SupplyOutput] = {}
        for name in {supply.driver for supply in described.values()}:
            mine = {one: at for one, at in described.items() if at.driver == name}
            outputs.update(find_driver("supply", name).open(mine))
        return outputs

    def channels(self, stand: Stand, name: str) -> Channels:
        """Return the channels of one `io` of a stand."""
        io = stand.io[name]
        mine = {one: at for one, at in stand.signals.items() if at.io == name}
        channels: Channels = find_driver("channels", io.driver).open(name, io, mine)
        return channels
