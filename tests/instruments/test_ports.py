"""Ports of the unit: what cannot be opened is the stand's fault, silence on an open port the unit's."""

from __future__ import annotations

import socket
import time
from itertools import islice
from typing import TYPE_CHECKING

import pytest

from hilseq.description.points import Port
from hilseq.description.registers import RegisterTable
from hilseq.errors import InstrumentTimeout, StandFault, UnitFault, UnitSilent
from hilseq.instruments import pdu
from hilseq.instruments.ports import EchoPartner, OpenPort, open_port

if TYPE_CHECKING:
    from tests.instruments.conftest import RawServer, SerialPair, Serve

DEADLINE = 1.0  # long beside what a busy machine adds to an answer, short beside the time limit of a test
#: A deadline far beyond the time limit of a test, s: who waits for it fails by that.
FOREVER = 3600.0


@pytest.fixture(params=["pyserial", "visa"])
def port(request: pytest.FixtureRequest, serial_pair: SerialPair) -> OpenPort:
    """Name the same serial pair in both ways a stand file may."""
    resource = serial_pair.path if request.param == "pyserial" else f"ASRL{serial_pair.path}::INSTR"
    return open_port(resource, 19200, "8N1", DEADLINE, name="port 1")


def test_an_echo_partner(port: OpenPort, serial_pair: SerialPair) -> None:
    """Every byte value goes there and back."""
    serial_pair.answer(lambda data: data)
    with port:
        every = bytes(range(256))
        assert port.exchange(every, len(every)) == every
        assert port.exchange(b"U", 1) == b"U"


def test_an_echo_partner_sends_what_its_line_carries(port: OpenPort) -> None:
    """Seven bits where it has no more, and neither XON nor XOFF where the unit keeps them for itself."""
    described = Port.model_validate({"partner": "echo", "frame": "7E1", "flow-control": "xon/xoff"})
    partner = EchoPartner(port, int(described.frame[0]), described.reserved_characters)
    sent = b"".join(frame.data for frame in (partner.short, *islice(partner.frames(), 100)))
    assert max(sent) == 0x7F
    assert not {0x11, 0x13} & set(sent)
    assert len(set(sent)) > 0x40
    port.close()


@pytest.mark.parametrize("frame", ["8E1", "8O1", "7E1", "8N2"])
@pytest.mark.parametrize("form", ["{}", "ASRL{}::INSTR"], ids=["pyserial", "visa"])
def test_every_frame_on_a_pseudo_terminal(serial_pair: SerialPair, form: str, frame: str) -> None:
    """A pseudo-terminal has no parity; a simulated port is opened with the frame of the real one."""
    serial_pair.answer(lambda data: data)
    for _ in range(2):  # the kernel refuses only the second time
        with open_port(form.format(serial_pair.path), 9600, frame, DEADLINE) as port:
            assert port.exchange(b"\x00\xff", 2) == b"\x00\xff"


def test_silence_is_the_units(port: OpenPort) -> None:
    """An open port on which nothing comes back: the message names port, resource and deadline."""
    with port:
        with pytest.raises(UnitSilent, match=r"port 1 \(.*\) did not answer 'answer with 4 bytes'") as caught:
            port.exchange(b"ping", 4)
        assert caught.value.places == ("port 1",)


def test_what_came_is_handed_over(port: OpenPort, serial_pair: SerialPair) -> None:
    """Fewer or other bytes are for the caller to judge: they are a bit error, not silence."""
    serial_pair.answer(lambda data: data[:2] if data.startswith(b"short") else data + b"!")
    with port:
        assert port.exchange(b"short", 5) == b"sh"
        assert port.exchange(b"long", 5) == b"long!"


def test_late_and_old_bytes_are_thrown_away(port: OpenPort, serial_pair: SerialPair) -> None:
    """An answer that comes after it was given up is not taken for the next one's."""

    def reply(data: bytes) -> bytes:
        if data == b"late":
            time.sleep(DEADLINE * 1.4)
        return data

    serial_pair.answer(reply)
    with port:
        serial_pair.write(b"noise from before")
        time.sleep(0.05)
        assert port.exchange(b"good", 4) == b"good"
        with pytest.raises(UnitSilent):
            port.exchange(b"late", 4)
        assert port.exchange(b"next", 4) == b"next"


def test_a_babbling_unit_does_not_hang(serve: Serve) -> None:
    """A port that is never quiet is the unit's fault, reported in time."""

    def babble(connection: socket.socket, _: int) -> None:
        while True:
            connection.sendall(b"babble" * 10000)

    with open_port(serve(babble).endpoint, deadline=2.0, name="port 1") as port:
        port.transport.quiet_from = time.monotonic() + 10  # as after an exchange that was given up
        with pytest.raises(UnitFault, match="bytes come without end") as caught:
            port.exchange(b"ping", 4)
        assert not isinstance(caught.value, UnitSilent)


def test_a_modbus_partner(port: OpenPort, serial_pair: SerialPair) -> None:
    """A unit that is a Modbus RTU device: loop-back data come back, an exception is its fault."""

    def reply(request: bytes) -> bytes:
        return request if request[1] == 8 else pdu.rtu_frame(request[0], bytes([request[1] | 0x80, 2]))

    serial_pair.answer(reply)
    with port:
        device = port.modbus(7)
        assert device.loopback(b"\xa5\x37") == b"\xa5\x37"
        with pytest.raises(UnitFault, match="illegal data address") as caught:
            device.read_block(RegisterTable.HOLDING_REGISTER, 0, 1)
        assert caught.value.places == ("port 1",)


@pytest.mark.parametrize("resource", ["/dev/no-such-port", "ASRL/dev/no-such-port::INSTR"])
def test_a_port_that_cannot_be_opened_is_the_stands_fault(resource: str) -> None:
    """A wrong name in the stand file must not condemn a unit."""
    with pytest.raises(StandFault, match="no-such-port"):
        open_port(resource, deadline=DEADLINE, name="port 1")


def test_an_unplugged_adapter_is_the_stands_fault(port: OpenPort, serial_pair: SerialPair) -> None:
    """Pulled out while it was in use."""
    serial_pair.answer(lambda data: data)
    with port:
        assert port.exchange(b"here", 4) == b"here"
        serial_pair.unplug()
        with pytest.raises(StandFault, match="port 1"):
            port.exchange(b"gone", 4)


def device_server(serve: Serve) -> RawServer:
    """Serve as a serial device server whose far end echoes; silent for `quiet`, gone after `gone`."""

    def handler(connection: socket.socket, _: int) -> None:
        while data := connection.recv(1000):
            if data == b"gone":
                return
            if data != b"quiet":
                connection.sendall(data)

    return serve(handler)


def test_a_serial_device_server(serve: Serve) -> None:
    """HOST:PORT: raw TCP; silence behind it is the unit's, the loss of the server the stand's."""
    server = device_server(serve)
    with open_port(server.endpoint, deadline=DEADLINE, name="port 2") as port:
        assert port.exchange(b"echo", 4) == b"echo"
        with pytest.raises(UnitSilent):
            port.exchange(b"quiet", 5)
        with pytest.raises(InstrumentTimeout, match="port 2"):
            port.exchange(b"gone", 4)
        assert port.exchange(b"back", 4) == b"back"
    server.refuse()
    with pytest.raises(InstrumentTimeout, match=r"[Rr]efused"):
        open_port(server.endpoint, deadline=DEADLINE)


def test_a_serial_device_server_that_drops_idle_connections(serve: Serve) -> None:
    """Closed while nobody was asking: no frame is lost, and neither the unit nor the stand is at fault."""

    def once(connection: socket.socket, _: int) -> None:
        connection.sendall(connection.recv(1000))

    server = serve(once)
    with open_port(server.endpoint, deadline=FOREVER, name="port 1") as port:
        for turn in range(3):
            assert port.exchange(b"frame", 5) == b"frame"
            while server.connections[turn].fileno() >= 0:
                time.sleep(0.001)
    assert len(server.connections) == 3


def test_slow_lines_are_given_their_time(serve: Serve) -> None:
    """At 300 Bd, 20 characters of 11 bits take 0.73 s there and again back: no silence of the unit."""

    def slow(connection: socket.socket, _: int) -> None:
        while data := connection.recv(1000):
            time.sleep(2 * 20 * 11 / 300)
            connection.sendall(data)

    with open_port(serve(slow).endpoint, 300, deadline=DEADLINE) as port:
        assert port.exchange(b"x" * 20, 20) == b"x" * 20
