"""The drivers that ship pass the driver kit, against the servers of a twin, over wires that can be disturbed."""

from __future__ import annotations

import re
import socket
import socketserver
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import pytest

from hilseq.description.drivers import find_driver
from hilseq.description.modbus import ModbusIo, ModbusLink, ModbusSignal
from hilseq.description.points import Port
from hilseq.description.profile import Profile
from hilseq.description.registers import FULL_MODBUS, Register
from hilseq.description.scpi import ScpiSupply
from hilseq.description.simulated import modbus_devices, modbus_links, modbus_signals, scpi_supplies
from hilseq.description.visit import describe_visit
from hilseq.instruments.driver_protocols import SerialPartnerDriver
from hilseq.instruments.modbus import ModbusDevice
from hilseq.instruments.protocols import SerialPartner
from hilseq.testing import (
    Capabilities,
    ChannelsRig,
    ChannelsTests,
    LinkRig,
    LinkTests,
    PartnerRig,
    PartnerTests,
    SupplyRig,
    SupplyTests,
    TcpWire,
)
from hilseq.twin import Twin, repoint

STANDS = Path(__file__).parents[2] / "stands"
#: Deadline of the exchanges here, s.
DEADLINE = 0.5
#: Longest wait until a unit that got its power answers, s.
READY = 20.0


@dataclass(frozen=True)
class Served:
    """What a twin in real time serves, by the addresses of its servers."""

    supply: ScpiSupply
    io: ModbusIo
    signals: dict[str, ModbusSignal]
    link: ModbusLink
    profile: Profile

    def scpi(self, line: str) -> str:
        """Say something to the supply over a connection of its own; return the answer to a question."""
        _, host, port, _ = re.split("::", self.supply.resource)
        with socket.create_connection((host, int(port)), timeout=5.0) as connection:
            connection.sendall(line.encode() + b"\n*OPC?\n")
            return connection.makefile().readline().strip()

    def have_ready_unit(self) -> None:
        """Give the unit its power and wait until it says that it is ready."""
        ready, until = self.profile.link.ready, time.monotonic() + READY
        assert self.link.address is not None
        assert ready is not None
        self.scpi("CURR 1;:VOLT 24;:OUTP ON")
        with ModbusDevice.over_tcp("another client", self.link.address, deadline=1.0) as other:
            while True:
                try:
                    if other.read(ready):
                        return
                except Exception:  # noqa: BLE001 - it does not answer yet
                    assert time.monotonic() < until, "the unit of the twin never gets ready"
                time.sleep(0.1)


@pytest.fixture(scope="module")
def served() -> Iterator[Served]:
    """Start a twin that runs in real time."""
    stand, unit = STANDS / "sim-bench.yaml", STANDS / "units" / "rh16.yaml"
    visit = describe_visit(stand, {"A": unit})
    twin = Twin(stand, {"A": unit}, serials={"A": "RH-1"}, clock="wall")
    try:
        there = repoint(visit.stand, twin.endpoints)
        quick = {"deadline": DEADLINE}
        yield Served(
            scpi_supplies(there)["main"].model_copy(update=quick),
            modbus_devices(there)["rack"].model_copy(update=quick),
            modbus_signals(there),
            modbus_links(there)["A"].model_copy(update=quick),
            visit.profiles["A"],
        )
    finally:
        twin.close()


def wire_to(address: str, things: ExitStack) -> TcpWire:
    host, _, port = address.rpartition(":")
    return things.enter_context(TcpWire(host, int(port)))


def supply_rig(served: Served) -> Iterator[SupplyRig]:
    _, host, port, _ = re.split("::", served.supply.resource)
    served.scpi("OUTP OFF;:VOLT 0")
    with ExitStack() as things:
        wire = wire_to(f"{host}:{port}", things)
        resource = f"TCPIP::{wire.host}::{wire.port}::SOCKET"
        described = served.supply.model_copy(update={"resource": resource})
        output = find_driver("supply", "scpi").open({"main": described})["main"]
        things.callback(output.close)

        def state() -> tuple[bool, float]:
            on, volts = (served.scpi(question) for question in ("OUTP?", "VOLT?"))
            return on == "1", float(volts)

        yield SupplyRig("main", described, output, wire, state)


class TestScpiSupply(SupplyTests):
    """SCPI over VISA."""

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
    def rig(self, served: Served) -> Iterator[SupplyRig]:
        yield from supply_rig(served)


def channels_rig(served: Served) -> Iterator[ChannelsRig]:
    assert served.io.address is not None
    drives = {"i01": 1.0, "i02": 1.0, "ai1": 12.0}
    with ExitStack() as things:
        wire = wire_to(served.io.address, things)
        described = served.io.model_copy(update={"address": wire.address})
        channels = find_driver("channels", "modbus").open("rack", described, served.signals)
        things.callback(channels.close)
        other = things.enter_context(ModbusDevice.over_tcp("another client", served.io.address))
        of_loop = {"loop-in": "loop-out", "bai2": "ai2"}

        def set_to(name: str, value: float) -> None:
            """Drive what the stand loops back, and let it come through."""
            other.write(served.signals[of_loop[name]], value)
            time.sleep(2 * served.signals[of_loop[name]].settle)

        def forget() -> None:
            for name in drives:
                other.write(served.signals[name], 0.0)

        forget()
        set_to("loop-in", 0.0)
        set_to("bai2", 4.0)
        yield ChannelsRig(
            "rack",
            served.signals,
            channels,
            wire,
            set_to,
            senses={"loop-in": 1.0, "bai2": 10.0},
            drives=drives,
            state=lambda name: other.read(served.signals[name]),
            forget=forget,
        )


class TestModbusChannels(ChannelsTests):
    """Modbus TCP."""

    capabilities = Capabilities(
        tells_late_answers=True,
        refuses_garbled_answers=True,
        reconnects=True,
        identifies=True,
        writes=True,
        notices_forgetting=True,
    )

    @pytest.fixture
    def rig(self, served: Served) -> Iterator[ChannelsRig]:
        yield from channels_rig(served)


class TestModbusLink(LinkTests):
    """The Modbus TCP server of a unit that has power."""

    capabilities = Capabilities(
        tells_late_answers=True,
        refuses_garbled_answers=True,
        reconnects=True,
        identifies=True,
        writes=True,
    )

    @pytest.fixture
    def rig(self, served: Served) -> Iterator[LinkRig]:
        assert served.link.address is not None
        served.have_ready_unit()
        points = served.profile.points.outputs
        with ExitStack() as things:
            wire = wire_to(served.link.address, things)
            described = served.link.model_copy(update={"address": wire.address})
            link = find_driver("link", "modbus").open("unit RH-1", described, served.profile.link)
            things.callback(link.close)
            other = ModbusDevice.over_tcp("another client", served.link.address, deadline=1.0)
            things.callback(other.close)

            def set_to(register: Register, value: float) -> None:
                other.write(register, value)

            commands = {name: (points[name].command, float(n % 2)) for n, name in enumerate(list(points)[:4])}
            yield LinkRig(link, wire, reads=dict(list(commands.items())[1:3]), set_to=set_to, writes=commands)


def open_partner(word: str, resource: str, things: ExitStack) -> tuple[SerialPartner, float]:
    """Return the partner at a port that HOST:PORT leads to, and the port's deadline in s."""
    described = Port.model_validate({"partner": word, "deadline": f"{DEADLINE} s"})
    driver: SerialPartnerDriver = find_driver("serial partner", word)
    partner = driver.open(
        "port 1", described, resource, speed=19200.0, loopback=True, mode=None, quirks=FULL_MODBUS, place=None
    )
    things.callback(partner.close)
    return partner, described.deadline


class Echo(socketserver.BaseRequestHandler):
    """A serial device server with a unit behind it that sends back what it gets."""

    def handle(self) -> None:
        """Echo until the other end closes."""
        while data := self.request.recv(4096):
            self.request.sendall(data)


class TestEchoPartner(PartnerTests):
    """An echo behind a serial device server."""

    capabilities = Capabilities(tells_late_answers=True, reconnects=True)

    @pytest.fixture
    def rig(self) -> Iterator[PartnerRig]:
        with ExitStack() as things:
            server = things.enter_context(socketserver.ThreadingTCPServer(("127.0.0.1", 0), Echo))
            server.daemon_threads = True
            threading.Thread(target=server.serve_forever, daemon=True).start()
            things.callback(server.shutdown)
            wire = wire_to("{}:{}".format(*server.server_address[:2]), things)
            partner, deadline = open_partner("echo", wire.address, things)
            yield PartnerRig(partner, wire, deadline)


class TestModbusPartner(PartnerTests):
    """The Modbus TCP server of a unit as the partner at its network port."""

    capabilities = Capabilities(tells_late_answers=True, refuses_garbled_answers=True, reconnects=True)

    @pytest.fixture
    def rig(self, served: Served) -> Iterator[PartnerRig]:
        with ExitStack() as things:
            assert served.link.address is not None
            served.have_ready_unit()
            wire = wire_to(served.link.address, things)
            partner, deadline = open_partner("modbus tcp", wire.address, things)
            yield PartnerRig(partner, wire, deadline)
