"""All servers of a simulated stand: what each resource of the stand file becomes on this computer."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import TypeVar

from hilseq.description.profile import Profile
from hilseq.description.stand import PortWiring, Stand, Supply
from hilseq_sim.servers.clock_server import ClockSession
from hilseq_sim.servers.connections import Connection, Listener, Stage
from hilseq_sim.servers.loop import Loop
from hilseq_sim.servers.modbus_rtu import ModbusRtuSession
from hilseq_sim.servers.modbus_tcp import ModbusTcpSession
from hilseq_sim.servers.scpi_server import ScpiSession, instrument
from hilseq_sim.servers.serial_line import PortSession, at_speed, pseudo_terminal, to_unit
from hilseq_sim.servers.session import Session
from hilseq_sim.views import ModbusView, PortView, SupplyView, WorldView

T = TypeVar("T")

LOOPBACK = "127.0.0.1"
#: A speed for lines that have none.
ANY_SPEED = 9600

_SOCKET = re.compile(r"TCPIP\d*::.+::\d+::SOCKET", re.IGNORECASE)
_SERIAL = re.compile(r"ASRL.*", re.IGNORECASE)
_NETWORK = re.compile(r"(?!/)[^/]*:\d+")


@dataclass(frozen=True, slots=True)
class Options:
    """How the servers are offered. `ports` fixes TCP ports by endpoint name; all others are free ones."""

    host: str = LOOPBACK
    ports: Mapping[str, int] = field(default_factory=dict)
    wall: bool = False
    single_connection: bool = False
    seed: int = 0


class Servers:
    """Every server of one world; `endpoints` says where each is, as the stand file's resources do."""

    def __init__(
        self, world: WorldView, stand: Stand, profiles: Mapping[str, Profile], options: Options
    ) -> None:
        self.endpoints: dict[str, str] = {}
        self.loop = Loop()
        self._options = options
        self._stage = Stage(world, self.loop, wall=options.wall, seed=options.seed)
        try:
            self._serve_supplies(world, stand)
            self._serve_modbus(world, stand, profiles)
            self._serve_ports(world, stand, profiles)
            self._address(
                self._listen(["clock"], lambda: ClockSession(self._stage), troubled=False), ["clock"]
            )
        except BaseException:
            self._stage.close()
            raise
        self._stage.refresh()

    def run(self) -> None:
        """Serve until the loop is stopped, then close everything."""
        try:
            self.loop.run()
        finally:
            self._stage.close()

    # One server per resource, however many things of the stand file share it.

    def _serve_supplies(self, world: WorldView, stand: Stand) -> None:
        for resource, names in _grouped((supply.resource, name) for name, supply in stand.supplies.items()):
            outputs = {
                stand.supplies[name].output: (stand.supplies[name], world.supplies[name]) for name in names
            }
            endpoints = [f"supply {name}" for name in names]
            if len(endpoints) > 1:
                self._stage.join(endpoints)
            session = _scpi(outputs, endpoints[0], stand.supplies[names[0]])
            if _SERIAL.fullmatch(resource):
                self._terminal(endpoints, _whatever_speed(session), "ASRL{}::INSTR")
            else:  # USB, GPIB and VXI-11 resources too: their twin is reached through a socket
                listener = self._listen(endpoints, session)
                self._address(listener, endpoints, "TCPIP::{host}::{port}::SOCKET")

    def _serve_modbus(self, world: WorldView, stand: Stand, profiles: Mapping[str, Profile]) -> None:
        networked: list[tuple[str, _Device]] = []
        serial: list[tuple[str, _Device]] = []
        for name, io in stand.io.items():
            device = _Device(f"io {name}", io.device, world.io[name], io.line.speed)
            if io.address is not None:
                networked.append((io.address, device))
            elif io.port is not None:
                serial.append((io.port, device))
        for slot in profiles:
            link = stand.slots[slot].link
            number = profiles[slot].link.device
            device = _Device(f"link {slot}", number, world.links[slot], link.line.speed)
            if link.address is not None:
                networked.append((link.address, device))
            elif link.port is not None:
                serial.append((link.port, device))
        for _, devices in _grouped(networked):
            self._serve_modbus_tcp(devices)
        for _, devices in _grouped(serial):
            self._terminal([device.endpoint for device in devices], _rtu_line(devices))

    def _serve_modbus_tcp(self, devices: list[_Device]) -> None:
        by_number = _by_number(devices)
        endpoints = [device.endpoint for device in devices]
        self._address(self._listen(endpoints, lambda: ModbusTcpSession(by_number)), endpoints)

    def _serve_ports(self, world: WorldView, stand: Stand, profiles: Mapping[str, Profile]) -> None:
        for slot, profile in profiles.items():
            for name, wiring in stand.slots[slot].ports.items():
                port = world.ports.get((slot, name))
                if port is not None:
                    self._serve_port(f"port {slot}/{name}", port, wiring, profile)

    def _serve_port(self, endpoint: str, port: PortView, wiring: PortWiring, profile: Profile) -> None:
        described = profile.ports.get(endpoint.partition("/")[2])
        number = described.device if described else 1
        if port.partner == "modbus tcp" and port.modbus is not None:
            self._serve_modbus_tcp([_Device(endpoint, number, port.modbus, ANY_SPEED)])
            return

        def session(speed: Callable[[], int]) -> Session:
            if port.modbus is not None:
                return ModbusRtuSession({number: (endpoint, port.modbus)}, to_unit(port, speed))
            return PortSession(port, endpoint, speed)

        # A serial device server has its speed set by whoever set up the stand: the first one of the profile.
        preset = int(described.speeds[0]) if described else ANY_SPEED
        if _SOCKET.fullmatch(wiring.resource):
            listener = self._listen([endpoint], lambda: session(lambda: preset))
            self._address(listener, [endpoint], "TCPIP::{host}::{port}::SOCKET")
        elif _SERIAL.fullmatch(wiring.resource):
            self._terminal([endpoint], session, "ASRL{}::INSTR")
        elif _NETWORK.fullmatch(wiring.resource):
            self._address(self._listen([endpoint], lambda: session(lambda: preset)), [endpoint])
        else:
            self._terminal([endpoint], session)

    # The two ways in.

    def _listen(
        self, endpoints: list[str], session: Callable[[], Session], *, troubled: bool = True
    ) -> Listener:
        fixed = next((self._options.ports[name] for name in endpoints if name in self._options.ports), 0)
        return Listener(
            self._stage,
            endpoints if troubled else (),
            session,
            host=self._options.host,
            port=fixed,
            single=self._options.single_connection,
        )

    def _address(self, listener: Listener, endpoints: list[str], form: str = "{host}:{port}") -> None:
        host = f"[{listener.host}]" if ":" in listener.host else listener.host
        for endpoint in endpoints:
            self.endpoints[endpoint] = form.format(host=host, port=listener.port)

    def _terminal(
        self, endpoints: list[str], session: Callable[[Callable[[], int]], Session], form: str = "{}"
    ) -> None:
        terminal = pseudo_terminal()
        Connection(self._stage, terminal.wire, session(terminal.speed))
        for endpoint in endpoints:
            self.endpoints[endpoint] = form.format(terminal.path)


@dataclass(frozen=True, slots=True)
class _Device:
    endpoint: str
    number: int
    view: ModbusView
    speed: int


def _scpi(
    outputs: Mapping[int, tuple[Supply, SupplyView]], endpoint: str, supply: Supply
) -> Callable[[], ScpiSession]:
    shared = instrument(outputs)
    return lambda: ScpiSession(
        shared,
        endpoint,
        read_termination=supply.read_termination,
        write_termination=supply.write_termination,
    )


def _whatever_speed(session: Callable[[], Session]) -> Callable[[Callable[[], int]], Session]:
    return lambda _: session()


def _rtu_line(devices: list[_Device]) -> Callable[[Callable[[], int]], Session]:
    expected = devices[0].speed
    return lambda speed: ModbusRtuSession(_by_number(devices), at_speed(speed, expected))


def _by_number(devices: list[_Device]) -> Mapping[int, tuple[str, ModbusView]]:
    return {device.number: (device.endpoint, device.view) for device in devices}


def _grouped(pairs: Iterable[tuple[str, T]]) -> Iterable[tuple[str, list[T]]]:
    groups: dict[str, list[T]] = {}
    for resource, item in pairs:
        groups.setdefault(resource.lower(), []).append(item)
    return groups.items()
