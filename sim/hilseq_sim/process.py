"""All servers of a simulated stand: what each resource of the stand file becomes on this computer."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import TypeAlias, TypeVar

from hilseq.description.points import Port
from hilseq.description.profile import Profile
from hilseq.description.scpi import ScpiSupply as Supply
from hilseq.description.simulated import modbus_devices, modbus_links, scpi_supplies
from hilseq.description.stand import Stand
from hilseq_sim.servers.clock_server import ClockClients, ClockSession
from hilseq_sim.servers.connections import Connection, Listener, ServedWorld
from hilseq_sim.servers.loop import Loop
from hilseq_sim.servers.modbus_sessions import ModbusRtuSession, ModbusTcpSession
from hilseq_sim.servers.scpi_server import ScpiSession, Watchdog, instrument
from hilseq_sim.servers.serial_line import PortSession, at_speed, pseudo_terminal, to_unit
from hilseq_sim.servers.session import Session, SilentSession
from hilseq_sim.views import ModbusView, PortView, SupplyView, WorldView

T = TypeVar("T")

#: Makes the session of a serial line, given how to read the speed the client has set.
SessionAtSpeed: TypeAlias = Callable[[Callable[[], int]], Session]

LOOPBACK = "127.0.0.1"

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
    #: By endpoint: shortest and longest time of an answer, s; and the time until a client is accepted, s.
    answers: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    accept: float = 0.0


class Servers:
    """Every server of one world; `endpoints` says where each is, as the stand file's resources do."""

    def __init__(
        self, world: WorldView, stand: Stand, profiles: Mapping[str, Profile], options: Options
    ) -> None:
        self.endpoints: dict[str, str] = {}
        self.loop = Loop()
        self._options = options
        self._stage = ServedWorld(
            world, self.loop, wall=options.wall, seed=options.seed, answers=options.answers
        )
        try:
            self._serve_supplies(world, stand)
            self._serve_modbus(world, stand, profiles)
            self._serve_ports(world, stand, profiles)
            clients = ClockClients(self._stage)
            clock = self._listen(["clock"], lambda: ClockSession(self._stage, clients), instrument_like=False)
            self._address(clock, ["clock"])
            self._check_fixed_ports()
        except BaseException:
            self._stage.close()
            self.loop.close()
            raise
        self._stage.refresh()

    def run(self) -> None:
        """Serve until the loop is stopped, then close everything."""
        try:
            self.loop.run()
        finally:
            self._stage.close()

    def _check_fixed_ports(self) -> None:
        unknown = self._options.ports.keys() - self.endpoints.keys()
        if unknown:
            raise ValueError(f"no endpoint {min(unknown)!r}; there are {', '.join(self.endpoints)}")

    # One server per resource, however many things of the stand file share it.

    def _serve_supplies(self, world: WorldView, stand: Stand) -> None:
        supplies = scpi_supplies(stand)
        for resource, names in _grouped((supply.resource, name) for name, supply in supplies.items()):
            outputs = {supplies[name].output: (supplies[name], world.supplies[name]) for name in names}
            endpoints = [f"supply {name}" for name in names]
            if len(endpoints) > 1:
                self._stage.join(endpoints)
            session = self._scpi(outputs, endpoints[0], supplies[names[0]])
            if _SERIAL.fullmatch(resource):
                self._terminal(endpoints, _whatever_speed(session), "ASRL{path}::INSTR")
            else:  # USB, GPIB and VXI-11 resources too: their twin is reached through a socket
                listener = self._listen(endpoints, session)
                self._address(listener, endpoints, "TCPIP::{host}::{port}::SOCKET")

    def _scpi(
        self, outputs: Mapping[int, tuple[Supply, SupplyView]], endpoint: str, supply: Supply
    ) -> Callable[[], ScpiSession]:
        shared = instrument(outputs)
        watchdog = Watchdog(shared.outputs, self.loop.after, self._stage.catch_up)
        return lambda: ScpiSession(
            shared,
            endpoint,
            heard=watchdog.heard,
            read_termination=supply.read_termination,
            write_termination=supply.write_termination,
            greets=supply.greeting,
            echoes=supply.echo,
        )

    def _serve_modbus(self, world: WorldView, stand: Stand, profiles: Mapping[str, Profile]) -> None:
        networked: list[tuple[str, _Device]] = []
        serial: list[tuple[str, _Device]] = []
        for name, io in modbus_devices(stand).items():
            device = _Device(f"io {name}", io.device_id, world.io[name], io.line.speed)
            if io.address is not None:
                networked.append((io.address, device))
            elif io.port is not None:
                serial.append((io.port, device))
        for slot, link in modbus_links(stand).items():
            endpoint = f"link {slot}"
            if slot not in profiles:
                self._serve_nobody(endpoint, link.address or link.port or "")
                continue
            device = _Device(endpoint, profiles[slot].link.device_id, world.links[slot], link.line.speed)
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
        for slot, place in stand.slots.items():
            for name, wiring in place.ports.items():
                endpoint = f"port {slot}/{name}"
                view = world.ports.get((slot, name))
                if view is None:
                    self._serve_nobody(endpoint, wiring.resource)
                else:
                    self._serve_port(endpoint, wiring.resource, view, profiles[slot].ports[name])

    def _serve_port(self, endpoint: str, resource: str, view: PortView, port: Port) -> None:
        modbus = view.modbus
        if modbus is not None and view.partner == "modbus tcp":
            self._serve_modbus_tcp([_Device(endpoint, port.device_id, modbus, 0)])
        elif modbus is not None:
            devices = {port.device_id: (endpoint, modbus)}
            self._serve_line(
                endpoint, resource, port, lambda speed: ModbusRtuSession(devices, to_unit(view, speed))
            )
        else:
            self._serve_line(endpoint, resource, port, lambda speed: PortSession(view, endpoint, speed))

    def _serve_line(self, endpoint: str, resource: str, port: Port, session: SessionAtSpeed) -> None:
        """Serve what is spoken on a serial line, by pseudo-terminal or through a serial device server."""
        if _SOCKET.fullmatch(resource) or _NETWORK.fullmatch(resource):
            # Whoever set up the device server gave it a speed: the first one of the profile.
            preset = int(port.speeds[0])
            self._serve_socket(endpoint, resource, lambda: session(lambda: preset))
        else:
            self._terminal([endpoint], session, _form(resource))

    def _serve_socket(self, endpoint: str, resource: str, session: Callable[[], Session]) -> None:
        self._address(self._listen([endpoint], session), [endpoint], _form(resource))

    def _serve_nobody(self, endpoint: str, resource: str) -> None:
        """Serve the wiring of an empty slot, or of a port the unit does not have."""
        if _SOCKET.fullmatch(resource) or _NETWORK.fullmatch(resource):
            self._serve_socket(endpoint, resource, SilentSession)
        else:
            self._terminal([endpoint], lambda _: SilentSession(), _form(resource))

    # The two ways in.

    def _listen(
        self, endpoints: list[str], session: Callable[[], Session], *, instrument_like: bool = True
    ) -> Listener:
        fixed = next((self._options.ports[name] for name in endpoints if name in self._options.ports), 0)
        return Listener(
            self._stage,
            endpoints if instrument_like else (),
            session,
            host=self._options.host,
            port=fixed,
            single=instrument_like and self._options.single_connection,
            accept=self._options.accept if instrument_like else 0.0,
        )

    def _address(self, listener: Listener, endpoints: list[str], form: str = "{host}:{port}") -> None:
        host = f"[{listener.host}]" if ":" in listener.host else listener.host
        for endpoint in endpoints:
            self.endpoints[endpoint] = form.format(host=host, port=listener.port)

    def _terminal(self, endpoints: list[str], session: SessionAtSpeed, form: str = "{path}") -> None:
        terminal = pseudo_terminal()
        Connection(self._stage, terminal.wire, session(terminal.speed))
        for endpoint in endpoints:
            self.endpoints[endpoint] = form.format(path=terminal.path)


@dataclass(frozen=True, slots=True)
class _Device:
    endpoint: str
    number: int
    view: ModbusView
    speed: int


def _whatever_speed(session: Callable[[], Session]) -> SessionAtSpeed:
    return lambda _: session()


def _rtu_line(devices: list[_Device]) -> SessionAtSpeed:
    expected = devices[0].speed
    return lambda speed: ModbusRtuSession(_by_number(devices), at_speed(speed, expected))


def _by_number(devices: list[_Device]) -> Mapping[int, tuple[str, ModbusView]]:
    return {device.number: (device.endpoint, device.view) for device in devices}


def _form(resource: str) -> str:
    """Return the form of a resource, to be filled in with what the twin has in its place."""
    if _SOCKET.fullmatch(resource):
        return "TCPIP::{host}::{port}::SOCKET"
    if _SERIAL.fullmatch(resource):
        return "ASRL{path}::INSTR"
    return "{host}:{port}" if _NETWORK.fullmatch(resource) else "{path}"


def _grouped(pairs: Iterable[tuple[str, T]]) -> Iterable[tuple[str, list[T]]]:
    groups: dict[str, list[T]] = {}
    for resource, item in pairs:
        groups.setdefault(resource.lower(), []).append(item)
    return groups.items()
