"""A small hand-made world behind the real servers, and clients that are not ours."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hilseq_sim.process import Options, Servers
from hilseq_sim.views import ModbusRefusal, ModbusView, Trouble

from hilseq.description.loading import load_profile, load_stand
from hilseq.description.profile import Profile
from hilseq.description.registers import ModbusLimits, RegisterTable
from hilseq.description.simulated import modbus_devices
from hilseq.description.stand import Stand

ROOT = Path(__file__).parents[3]
HEALTHY = Trouble()


class SmallRecorder:
    """A waveform memory that is whole as soon as it was armed."""

    def __init__(self) -> None:
        self.interval = 1e-3
        self.points = 3
        self.armed = False

    def arm(self) -> None:
        self.armed = True

    def record(self) -> list[float] | None:
        return [1.5] * (self.points - 1) + [0.1] if self.armed else None


class SmallSupply:
    """A supply into a resistor: 24 V make 100 mA."""

    def __init__(self, model: str = "PS-3203") -> None:
        self.identity = ("Ombrella", model, "SIM-1", "1.0")
        self.voltage_limits = (0.0, 32.0)
        self.current_limits = (0.0, 3.0)
        self.set_voltage = 0.0
        self.set_current = 3.0
        self.overvoltage = 35.2
        self.overcurrent_protection = False
        self.output = False
        self.overvoltage_tripped = False
        self.overcurrent_tripped = False
        self.constant_current = False
        self.recorder = SmallRecorder()

    def clear_protection(self) -> None:
        self.overvoltage_tripped = self.overcurrent_tripped = False

    def measure_voltage(self) -> float:
        return self.set_voltage if self.output else 0.0

    def measure_current(self) -> float:
        return self.measure_voltage() / 240.0

    def inrush(self) -> tuple[float, float]:
        return 2.25, 0.0125


@pytest.fixture(scope="session")
def small_supply() -> type[SmallSupply]:
    """Return the class of the small world's supplies."""
    return SmallSupply


class SmallDevice:
    """A Modbus device of plain memory; addresses that are not there are refused."""

    def __init__(self, device: int = 1, size: int = 2048) -> None:
        self.device = device
        self.powered = True
        self.quirks: ModbusLimits | None = None
        self.tables: dict[RegisterTable, dict[int, int]] = {
            table: dict.fromkeys(range(size), 0) for table in RegisterTable
        }
        self.objects: Mapping[int, bytes] | None = {0: b"Ombrella", 1: b"IO-64", 2: b"1.0"}
        self.returns_query_data = True

    def answering(self) -> bool:
        return self.powered

    def read(self, table: RegisterTable, address: int, count: int) -> list[int]:
        try:
            return [self.tables[table][place] for place in range(address, address + count)]
        except KeyError:
            raise ModbusRefusal(2) from None

    def write(self, table: RegisterTable, address: int, values: list[int]) -> None:
        self.read(table, address, len(values))
        self.tables[table].update(enumerate(values, address))

    def identification(self) -> Mapping[int, bytes] | None:
        return self.objects

    def loopback(self) -> bool:
        return self.returns_query_data


@pytest.fixture(scope="session")
def small_device_type() -> type[SmallDevice]:
    """Return the class of the small world's Modbus devices."""
    return SmallDevice


@pytest.fixture
def small_device() -> SmallDevice:
    """Return a Modbus device of plain memory."""
    return SmallDevice()


class SmallPort:
    """A port that hears only its own speed."""

    def __init__(self, partner: str, speed: int, device: int) -> None:
        self.partner = partner
        self.speed = speed
        self.memory = SmallDevice(device)
        self.modbus: ModbusView | None = None if partner == "echo" else self.memory
        self.spoil: Callable[[bytes], bytes] = bytes

    def receive(self, data: bytes, speed: int) -> bytes:
        return self.corrupt(data, speed) if self.partner == "echo" else b""

    def corrupt(self, data: bytes, speed: int) -> bytes:
        return self.spoil(data) if speed == self.speed else b""


class SmallWorld:
    """Everything a stand file and its profiles name, without physics."""

    def __init__(self, stand: Stand, profiles: Mapping[str, Profile]) -> None:
        self.time = 0.0
        self.troubles: dict[str, Trouble] = {}
        self.trouble_from: dict[str, tuple[float, Trouble]] = {}
        self.positions: dict[str, str] = {}
        self.supplies = {name: SmallSupply() for name in stand.supplies}
        self.io = {name: SmallDevice(io.device_id) for name, io in modbus_devices(stand).items()}
        self.links = {slot: SmallDevice(profile.link.device_id) for slot, profile in profiles.items()}
        self.ports = {
            (slot, name): SmallPort(port.partner, int(port.speeds[0]), port.device_id)
            for slot, profile in profiles.items()
            for name, port in profile.ports.items()
        }

    @property
    def date(self) -> datetime:
        return datetime(2031, 2, 28, 23, 59, tzinfo=UTC) + timedelta(seconds=self.time)

    def advance(self, seconds: float) -> None:
        self.time += seconds

    def advance_to(self, instant: float) -> None:
        self.time = max(instant, self.time)

    def trouble(self, endpoint: str) -> Trouble:
        if endpoint in self.trouble_from:
            since, trouble = self.trouble_from[endpoint]
            return trouble if self.time >= since else HEALTHY
        return self.troubles.get(endpoint, HEALTHY)

    def turn_switch(self, slot: str, position: str) -> None:
        if position not in ("stop", "hold", "run"):
            raise KeyError(position)
        self.positions[slot] = position


class Served:
    """Servers in a thread of their own, with the world behind them."""

    def __init__(self, world: SmallWorld, servers: Servers) -> None:
        self.world = world
        self.endpoints = servers.endpoints
        self.servers = servers

    def address(self, endpoint: str) -> tuple[str, int]:
        """Host and port, whatever form the endpoint has."""
        text = self.endpoints[endpoint].removeprefix("TCPIP::").removesuffix("::SOCKET").replace("::", ":")
        host, _, port = text.rpartition(":")
        return host, int(port)

    def connect(self, endpoint: str) -> socket.socket:
        """Return a plain socket with a deadline."""
        connected = socket.create_connection(self.address(endpoint), timeout=5)
        connected.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return connected


Serve = Callable[..., Served]


@pytest.fixture
def serve(tmp_path: Path) -> Iterator[Serve]:
    """Serve a stand file, the shipped one with replaced texts, over a small world."""
    running: list[tuple[Servers, threading.Thread]] = []

    def start(
        replacing: Mapping[str, str] | None = None,
        *,
        profile_replacing: Mapping[str, str] | None = None,
        options: Options | None = None,
        slots: Sequence[str] = (),
        prepare: Callable[[SmallWorld], None] = lambda _: None,
    ) -> Served:
        stand = load_stand(_changed(tmp_path, ROOT / "stands/sim-bench.yaml", replacing or {}))
        profile = load_profile(_changed(tmp_path, ROOT / "stands/units/rh16.yaml", profile_replacing or {}))
        profiles = dict.fromkeys(slots or stand.slots, profile)
        world = SmallWorld(stand, profiles)
        prepare(world)
        servers = Servers(world, stand, profiles, options or Options())
        thread = threading.Thread(target=servers.run, daemon=True)
        thread.start()
        running.append((servers, thread))
        return Served(world, servers)

    yield start
    for servers, thread in running:
        servers.loop.stop()
        thread.join(5)
        assert not thread.is_alive(), "the loop did not stop"


def _changed(folder: Path, source: Path, replacing: Mapping[str, str]) -> Path:
    text = source.read_text(encoding="utf-8")
    for old, new in replacing.items():
        assert old in text, f"{source.name} has no {old!r} any more"
        text = text.replace(old, new)
    path = folder / source.name
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture
def served(serve: Serve) -> Served:
    """Serve the shipped stand, healthy."""
    return serve()


@pytest.fixture
def ask() -> Callable[..., bytes]:
    """Return a function that sends a request and reads one line, or `length` bytes."""
    return _ask


def _ask(connection: socket.socket, request: bytes, length: int = 0) -> bytes:
    """Send and read one line, or `length` bytes."""
    connection.sendall(request)
    answer = b""
    while not (answer.endswith(b"\n") if not length else len(answer) >= length):
        data = connection.recv(65536)
        if not data:
            raise ConnectionError(f"closed after {answer!r}")
        answer += data
    return answer
