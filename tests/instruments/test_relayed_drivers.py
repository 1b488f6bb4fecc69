"""The drivers that ship pass the driver kit through the owner's relay too: what they raise and return is the same.

A line of the owner in this process, real sockets between it and its client, the twin's servers behind.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import replace
from typing import Any

import pytest

from hilseq.clock import nothing
from hilseq.description.stand import Io
from hilseq.description.supplies import Supply
from hilseq.owner.line import Line
from hilseq.owner.relay import RelayedChannels, RelayedOutput
from hilseq.testing import ChannelsRig, SupplyRig
from tests.instruments import test_driver_kit
from tests.instruments.test_driver_kit import served

__all__ = ["served"]


def _line(part: str, device: Any, things: ExitStack) -> Line:
    line = Line("an address", {part: device})
    things.callback(line.close)
    return line


class TestRelayedSupply(test_driver_kit.TestScpiSupply):
    """SCPI over VISA, behind a relay."""

    @pytest.fixture
    def rig(self, served: test_driver_kit.Served) -> Iterator[SupplyRig]:
        for direct in test_driver_kit.supply_rig(served):
            with ExitStack() as things:
                line = _line("supply main", direct.output, things)
                assert isinstance(direct.description, Supply)
                relayed: Any = RelayedOutput("supply main", direct.description, line.connect, nothing)
                things.callback(relayed.close)
                yield replace(direct, output=relayed)


class TestRelayedChannels(test_driver_kit.TestModbusChannels):
    """Modbus TCP, behind a relay."""

    @pytest.fixture
    def rig(self, served: test_driver_kit.Served) -> Iterator[ChannelsRig]:
        for direct in test_driver_kit.channels_rig(served):
            with ExitStack() as things:
                line = _line("io rack", direct.channels, things)
                described: Io = served.io
                relayed: Any = RelayedChannels("io rack", described, line.connect, nothing)
                things.callback(relayed.close)
                yield replace(direct, channels=relayed)
