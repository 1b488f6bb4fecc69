"""Real peers for the instruments: raw sockets that misbehave on purpose, a stepped clock, serial pairs."""

from __future__ import annotations

import asyncio
import os
import select
import socket
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import settings

from hilseq.clock import WallClock
from hilseq.description.supplies import Supply
from hilseq.errors import InstrumentTimeout
from hilseq.instruments.supply import PowerSupply, open_supplies
from tests.instruments.supply_bench import Bench

# A shared machine is slow at times; what is promised about time is promised in tests of their own.
settings.register_profile("no deadline", deadline=None)
settings.load_profile("no deadline")

Handler = Callable[[socket.socket, int], None]


class RawServer:
    """A TCP server on port 0 of loopback; `handler(connection, number)` runs in a thread per connection.

    Whatever a handler is doing, `stop` closes its socket and joins its thread under a deadline.
    """

    def __init__(self, handler: Handler) -> None:
        self._handler = handler
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self.connections: list[socket.socket] = []
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    @property
    def resource(self) -> str:
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"

    @property
    def endpoint(self) -> str:
        return f"127.0.0.1:{self.port}"

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self.connections.append(connection)
            thread = threading.Thread(
                target=self._run, args=(connection, len(self.connections) - 1), daemon=True
            )
            self._threads.append(thread)
            thread.start()

    def _run(self, connection: socket.socket, number: int) -> None:
        with connection, suppress(OSError, ValueError):
            self._handler(connection, number)

    def refuse(self) -> None:
        """Stop listening: further connections are refused."""
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()

    def stop(self) -> None:
        self.refuse()
        for connection in self.connections:
            with suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            thread.join(5)
            assert not thread.is_alive(), "a test's server did not stop"


Serve = Callable[[Handler], RawServer]


@pytest.fixture
def serve() -> Iterator[Serve]:
    """Start raw servers, stop them at the end."""
    servers: list[RawServer] = []

    def start(handler: Handler) -> RawServer:
        servers.append(RawServer(handler))
        return servers[-1]

    yield start
    for server in servers:
        server.stop()


Answer = Callable[[str], str | None]


def lines(connection: socket.socket) -> Iterator[str]:
    """Yield the lines a client sends, until it closes."""
    with connection.makefile("rb") as stream:
        for line in stream:
            yield line.decode("latin-1").rstrip("\r\n")


@pytest.fixture
def serve_text(serve: Serve) -> Callable[[Answer], RawServer]:
    """Start servers that answer each line by a function; None is no answer."""

    def start(answer: Answer) -> RawServer:
        def handler(connection: socket.socket, _: int) -> None:
            for line in lines(connection):
                text = answer(line)
                if text is not None:
                    connection.sendall(text.encode("latin-1") + b"\n")

        return serve(handler)

    return start


class SteppedClock(WallClock):
    """A clock that only moves when somebody sleeps, as the simulated stand's does."""

    def __init__(self) -> None:
        super().__init__()
        self.time = 0.0
        self.slept: list[float] = []
        self.broken = False

    def now(self) -> float:
        return self.time

    def sleep(self, seconds: float) -> None:
        if self.broken:
            raise InstrumentTimeout("the clock is gone")
        self.slept.append(seconds)
        self.time += seconds

    def sleep_until(self, instant: float) -> None:
        self.sleep(max(0.0, instant - self.time))

    def account_wait(self, seconds: float) -> None:
        self.sleep(seconds)

    def moment(self) -> datetime:
        return datetime(2026, 1, 1, tzinfo=UTC) + timedelta(seconds=self.time)


@pytest.fixture
def clock() -> SteppedClock:
    return SteppedClock()


@pytest.fixture
def bench() -> Bench:
    return Bench()


@pytest.fixture
def make(bench: Bench, serve_text: Callable[[Answer], RawServer], clock: SteppedClock) -> Any:
    made: list[PowerSupply] = []

    def build(**changes: Any) -> PowerSupply:
        description = Supply.model_validate(
            {
                "resource": serve_text(bench).resource,
                "ceilings": {"voltage": "32 V", "current": "3 A"},
                "accuracy": {"voltage": "0.05 % + 10 mV", "current": "0.1 % + 2 mA"},
                "deadline": "1200 ms",
            }
            | changes
        )
        made.append(open_supplies({"main": description}, clock)["main"])
        return made[-1]

    yield build
    for supply in made:
        supply.close()


class SerialPair:
    """Two ends of a serial line: `path` is a pty for the client, the peer reads and writes here."""

    def __init__(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._master)
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)
        self._threads: list[threading.Thread] = []
        self.stopping = False

    def read(self) -> bytes:
        """Return what has come, b"" when the pair is stopping."""
        while not self.stopping:
            if select.select([self._master], [], [], 0.02)[0]:
                with suppress(OSError):
                    return os.read(self._master, 4096)
                return b""
        return b""

    def write(self, data: bytes) -> None:
        with suppress(OSError):
            os.write(self._master, data)

    def answer(self, reply: Callable[[bytes], bytes]) -> None:
        """Answer each piece that comes, in a thread, until the pair is closed."""

        def run() -> None:
            while data := self.read():
                self.write(reply(data))

        self._threads.append(threading.Thread(target=run, daemon=True))
        self._threads[-1].start()

    def unplug(self) -> None:
        """Stop the peer and take the line away, as when an adapter is pulled out."""
        self.stopping = True
        for thread in self._threads:
            thread.join(5)
        for end in (self._master, self._slave):
            with suppress(OSError):
                os.close(end)
        self._master = self._slave = -1

    def stop(self) -> None:
        self.unplug()
        assert not any(thread.is_alive() for thread in self._threads)


@pytest.fixture
def serial_pair() -> Iterator[SerialPair]:
    pair = SerialPair()
    yield pair
    pair.stop()


class ForeignModbus:
    """pymodbus's own TCP server with a simulated device, in a thread: the foreign peer.

    Device 1 has 100 coils, 100 discrete inputs (every other one set), 300 holding registers at 0 and 300
    input registers that hold their own address; nothing else exists.
    """

    def __init__(self) -> None:
        self._ready = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()), daemon=True)
        self._thread.start()
        assert self._ready.wait(10), "pymodbus's server did not start"

    async def _serve(self) -> None:
        from pymodbus.pdu.device import ModbusDeviceIdentification
        from pymodbus.server import ModbusTcpServer
        from pymodbus.simulator import DataType, SimData, SimDevice

        bits, words = DataType.BITS, DataType.REGISTERS
        blocks = (
            [SimData(0, values=[False] * 100, datatype=bits)],
            [SimData(0, values=[True, False] * 50, datatype=bits)],
            [SimData(0, values=[0] * 300, datatype=words)],
            [SimData(0, values=list(range(300)), datatype=words)],
        )
        # pymodbus types only half of what it offers.
        make_identity: Any = ModbusDeviceIdentification
        identity = make_identity(info_name={"VendorName": "ACME", "ProductCode": "IO-1"})
        server: Any = ModbusTcpServer(
            context=SimDevice(1, simdata=blocks), address=("127.0.0.1", 0), identity=identity
        )
        await server.serve_forever(background=True)
        self.port: int = server.transport.sockets[0].getsockname()[1]
        self._loop, self._stop = asyncio.get_running_loop(), asyncio.Event()
        self._ready.set()
        await self._stop.wait()
        await server.shutdown()

    @property
    def endpoint(self) -> str:
        return f"127.0.0.1:{self.port}"

    def stop(self) -> None:
        self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(10)
        assert not self._thread.is_alive(), "pymodbus's server did not stop"


@pytest.fixture
def foreign() -> Iterator[ForeignModbus]:
    server = ForeignModbus()
    yield server
    server.stop()


Reply = Callable[[bytes], bytes]


def modbus_requests(connection: socket.socket) -> Iterator[tuple[bytes, bytes]]:
    """Yield header and PDU of each request a client sends, until it closes."""
    with connection.makefile("rb") as stream:
        while head := stream.read(7):
            yield head, stream.read(int.from_bytes(head[4:6], "big") - 1)


def modbus_frame(head: bytes, pdu: bytes) -> bytes:
    """Return the answer frame to a request with that header."""
    return head[:4] + (len(pdu) + 1).to_bytes(2, "big") + head[6:7] + pdu


@pytest.fixture
def serve_modbus(serve: Serve) -> Callable[[Reply], RawServer]:
    """Start raw Modbus TCP servers; `reply` makes the PDU of an answer from that of a request."""

    def start(reply: Reply) -> RawServer:
        def handler(connection: socket.socket, _: int) -> None:
            for head, pdu in modbus_requests(connection):
                connection.sendall(modbus_frame(head, reply(pdu)))

        return serve(handler)

    return start
