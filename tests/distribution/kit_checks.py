"""The drivers of this distribution against hilseq's driver kit, over wires that can be disturbed."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from typing import Any

import pytest
import rig as servers
from bench_extras.block_supply import BlockSupplies, BlockSupply
from bench_extras.chamber import ChamberDriver, ChamberIo, ChamberSignal
from bench_extras.counter import CounterDriver, CounterIo, CounterSignal

from hilseq.testing import Capabilities, ChannelsRig, ChannelsTests, SupplyRig, SupplyTests, TcpWire

DEADLINE = "500 ms"


@pytest.fixture(scope="module")
def ports() -> dict[str, int]:
    return servers.serve_all()


@pytest.fixture
def things() -> Iterator[ExitStack]:
    with ExitStack() as opened:
        yield opened


class TestBlockSupply(SupplyTests):
    capabilities = Capabilities(
        tells_late_answers=True,
        refuses_garbled_answers=True,
        reconnects=True,
        reads_settings_back=True,
        tells_whether_on=True,
        has_an_address=True,
        identifies=True,
    )

    @pytest.fixture
    def rig(self, ports: dict[str, int], things: ExitStack) -> SupplyRig:
        wire = things.enter_context(TcpWire("127.0.0.1", ports["supply"]))
        described = BlockSupply.model_validate(
            {
                "driver": "blocks",
                "address": wire.address,
                "ceilings": {"voltage": "26 V", "current": "1 A"},
                "deadline": DEADLINE,
                "settle": "10 ms",
            }
        )
        output = BlockSupplies().open({"main": described})["main"]
        things.callback(output.close)
        servers.WORLD.on = False
        return SupplyRig("main", described, output, wire, lambda: (servers.WORLD.on, servers.WORLD.volts))


class TestCounter(ChannelsTests):
    capabilities = Capabilities(
        tells_late_answers=True, refuses_garbled_answers=True, reconnects=True, identifies=True
    )

    @pytest.fixture
    def rig(self, ports: dict[str, int], things: ExitStack) -> ChannelsRig:
        wire = things.enter_context(TcpWire("127.0.0.1", ports["counter"]))
        resource = f"TCPIP::127.0.0.1::{wire.port}::SOCKET"
        io = CounterIo.model_validate({"driver": "counter", "resource": resource, "deadline": DEADLINE})
        signals = {
            f"input {n}": CounterSignal.model_validate({"io": "counter", "channel": n, "unit": "Hz"})
            for n in (1, 2)
        }
        channels = CounterDriver().open("counter", io, signals)
        things.callback(channels.close)
        servers.WORLD.on = True

        def turn(_: str, hertz: float) -> None:
            servers.WORLD.volts = hertz / 5.0

        turn("", 10.0)
        senses = {"input 1": 125.0}
        return ChannelsRig("counter", signals, channels, wire, turn, senses)


class TestChamber(ChannelsTests):
    capabilities = Capabilities(
        tells_late_answers=True,
        refuses_garbled_answers=True,
        reconnects=True,
        identifies=True,
        writes=True,
        notices_forgetting=True,
    )

    @pytest.fixture
    def rig(self, ports: dict[str, int], things: ExitStack) -> ChannelsRig:
        wire = things.enter_context(TcpWire("127.0.0.1", ports["chamber"]))
        io = ChamberIo.model_validate(
            {"driver": "can-chamber", "channel": f"socket://{wire.address}", "node": 5, "deadline": DEADLINE}
        )
        described: dict[str, dict[str, Any]] = {
            "chamber": {"index": 1},
            "chamber-set": {"index": 0, "drives": "A.chamber", "safe-value": 23.0, "settle": "10 ms"},
        }
        signals = {
            name: ChamberSignal.model_validate({"io": "climate", "unit": "degC", **more})
            for name, more in described.items()
        }
        channels = ChamberDriver().open("climate", io, signals)
        things.callback(channels.close)

        def warm(_: str, celsius: float) -> None:
            servers.WORLD.celsius = celsius

        warm("", 23.0)
        return ChannelsRig(
            "climate",
            signals,
            channels,
            wire,
            warm,
            senses={"chamber": 40.0},
            drives={"chamber-set": 30.0},
            state=lambda _: servers.WORLD.celsius,
            forget=lambda: warm("", 0.0),
        )
