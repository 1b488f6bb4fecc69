"""Modbus over TCP and serial lines: framing, and a stock client (pymodbus)."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest
from hilseq_sim.servers.modbus_sessions import SILENCE, ModbusRtuSession, ModbusTcpSession, framed
from hilseq_sim.views import crc16
from hypothesis import given, settings
from hypothesis import strategies as st
from pymodbus.client import ModbusSerialClient, ModbusTcpClient

from hilseq.description.registers import RegisterTable

if TYPE_CHECKING:
    from tests.simulated.servers.conftest import Serve, Served, SmallDevice

READ = bytes.fromhex("0001 0000 0006 01 03 0000 0002")


def test_crc_definition() -> None:
    """(2.26 to 2.28) MODBUS over Serial Line V1.02 pp. 39 to 41; CRC catalogue."""
    assert crc16(bytes.fromhex("0207")) == 0x1241
    assert crc16(b"123456789") == 0x4B37


@pytest.mark.parametrize(
    "frame",
    [
        "11 01 00 13 00 25 0E 84",
        "11 01 05 CD 6B B2 0E 1B 45 E6",
        "01 03 00 02 00 01 25 CA",
        "11 03 00 6B 00 03 76 87",
        "01 03 00 00 00 0A C5 CD",
        "01 05 00 AC FF 00 4C 1B",
        "01 83 02 C0 F1",
    ],
)
def test_full_frames(frame: str) -> None:
    """(2.29, 2.30) two web tutorials; recomputed."""
    data = bytes.fromhex(frame)
    assert framed(data[0], data[1:-2]) == data


def test_frame_of_a_tutorial_is_answered(small_device: SmallDevice) -> None:
    """(2.29) coils 20 to 56 of device 17."""
    number = int.from_bytes(bytes.fromhex("CD6BB20E1B"), "little")
    small_device.tables[RegisterTable.COIL].update({19 + place: number >> place & 1 for place in range(37)})
    session = ModbusRtuSession({17: ("io rack", small_device)}, lambda data: data)
    (request,) = session.requests(bytes.fromhex("11 01 00 13 00 25 0E 84"))
    assert session.answer(request) == bytes.fromhex("11 01 05 CD 6B B2 0E 1B 45 E6")


def rtu_answers(session: ModbusRtuSession, parts: list[bytes]) -> bytes:
    return b"".join(session.answer(request) for part in parts for request in session.requests(part))


RTU_REQUESTS = [
    framed(1, bytes.fromhex(pdu))
    for pdu in (
        "03 0000 000A",
        "10 0001 0002 04 000A 0102",
        "17 0003 0006 000E 0003 06 00FF 00FF 00FF",
        "2B 0E 01 00",
        "63 01 02 03",
        "08 0000 A537",
    )
]


@given(st.lists(st.sampled_from(RTU_REQUESTS), max_size=6), st.integers(1, 9))
@settings(max_examples=50)
def test_rtu_splitting_does_not_matter(
    small_device_type: type[SmallDevice], requests: list[bytes], step: int
) -> None:
    """A function nobody knows has no known length: it has to come in one piece."""

    def session() -> ModbusRtuSession:
        return ModbusRtuSession({1: ("io rack", small_device_type())}, lambda data: data, lambda: 1.0)

    stream = b"".join(request for request in requests if request[1] != 0x63)
    pieces = [stream[place : place + step] for place in range(0, len(stream), step)]
    assert rtu_answers(session(), pieces) == rtu_answers(session(), [stream])


def test_rtu_finds_its_frames_in_rubbish(small_device: SmallDevice) -> None:
    now = [0.0]
    session = ModbusRtuSession({1: ("io rack", small_device)}, lambda data: data, lambda: now[0])
    good = framed(1, bytes.fromhex("03 0000 0001"))
    answer = framed(1, bytes.fromhex("03 02 0000"))
    assert rtu_answers(session, [b"\xff\x00rubbish" + good]) == answer
    assert rtu_answers(session, [framed(1, bytes.fromhex("63 01 02"))]) == framed(1, b"\xe3\x01")
    assert rtu_answers(session, [good[:-1] + b"\x00"]) == b""
    now[0] += 2 * SILENCE
    assert rtu_answers(session, [good]) == answer
    assert rtu_answers(session, [good[:3]]) == b""
    now[0] += 2 * SILENCE
    assert rtu_answers(session, [good]) == answer, "half a frame before a silence must not spoil the next"


def test_rtu_broadcast_and_strangers(small_device: SmallDevice) -> None:
    """(2.35) address 0 is for everybody and is not answered; another device's frame is none of ours."""
    session = ModbusRtuSession({1: ("io rack", small_device)}, lambda data: data)
    assert rtu_answers(session, [framed(0, bytes.fromhex("06 0005 0007"))]) == b""
    assert small_device.tables[RegisterTable.HOLDING_REGISTER][5] == 7
    assert rtu_answers(session, [framed(2, bytes.fromhex("06 0005 0009"))]) == b""
    assert small_device.tables[RegisterTable.HOLDING_REGISTER][5] == 7


@given(st.binary(max_size=600))
@settings(max_examples=200)
def test_rtu_rubbish_is_never_answered(small_device_type: type[SmallDevice], data: bytes) -> None:
    session = ModbusRtuSession({1: ("io rack", small_device_type())}, lambda data: data)
    for request in session.requests(data):
        assert crc16(request) == 0


# Modbus TCP.


def test_tcp_many_requests_in_one_segment(served: Served, ask: Callable[..., bytes]) -> None:
    with served.connect("io rack") as connection:
        stream = b"".join(number.to_bytes(2, "big") + READ[2:] for number in range(50))
        answer = ask(connection, stream, 50 * 13)
        assert [answer[13 * number + 1] for number in range(50)] == list(range(50))


def test_tcp_one_request_in_many_segments(served: Served, ask: Callable[..., bytes]) -> None:
    with served.connect("io rack") as connection:
        for place in range(len(READ) - 1):
            connection.sendall(READ[place : place + 1])
        assert ask(connection, READ[-1:], 13) == bytes.fromhex("0001 0000 0007 01 03 04 0000 0000")


def test_tcp_unknown_device_is_a_missing_target(served: Served, ask: Callable[..., bytes]) -> None:
    """(2.22) 0B: gateway target failed to respond."""
    with served.connect("io rack") as connection:
        request = READ[:6] + b"\x09" + READ[7:]
        assert ask(connection, request, 9) == bytes.fromhex("0001 0000 0003 09 83 0B")


def test_tcp_other_protocols_are_dropped(served: Served, ask: Callable[..., bytes]) -> None:
    with served.connect("io rack") as connection:
        other = b"\x00\x07\x12\x34" + READ[4:]
        assert ask(connection, other + READ, 13)[:2] == b"\x00\x01"


@pytest.mark.parametrize("length", [0, 1, 255, 65535])
def test_tcp_a_length_that_cannot_be_closes(served: Served, length: int) -> None:
    """(2.21) a TCP frame is at most 260 bytes: out of step for good."""
    with served.connect("io rack") as connection:
        connection.sendall(b"\x00\x01\x00\x00" + length.to_bytes(2, "big") + bytes(20))
        with contextlib.suppress(ConnectionResetError):
            assert connection.recv(100) == b""


@given(st.lists(st.binary(min_size=1, max_size=40), max_size=8))
@settings(max_examples=100)
def test_tcp_splitting_does_not_matter(small_device_type: type[SmallDevice], pdus: list[bytes]) -> None:
    def session() -> ModbusTcpSession:
        return ModbusTcpSession({1: ("io rack", small_device_type())})

    frames = [b"\x00\x01\x00\x00" + (len(pdu) + 1).to_bytes(2, "big") + b"\x01" + pdu for pdu in pdus]
    stream = b"".join(frames)
    bytewise, at_once = session(), session()
    one = [
        bytewise.answer(r)
        for place in range(len(stream))
        for r in bytewise.requests(stream[place : place + 1])
    ]
    assert one == [at_once.answer(request) for request in at_once.requests(stream)]


def test_pymodbus_over_tcp(served: Served) -> None:
    host, port = served.address("io rack")
    device = served.world.io["rack"]
    device.tables[RegisterTable.INPUT_REGISTER].update(enumerate(range(100, 160)))
    with ModbusTcpClient(host, port=port, timeout=2, retries=0) as client:
        assert client.read_input_registers(0, count=60, device_id=1).registers == list(range(100, 160))
        assert not client.write_coils(3, [True, False, True], device_id=1).isError()
        assert (
            client.read_coils(0, count=8, device_id=1).bits == [False] * 3 + [True, False, True] + [False] * 2
        )
        assert not client.write_registers(7, [1, 2, 3], device_id=1).isError()
        assert client.readwrite_registers(
            read_address=7, read_count=3, write_address=8, values=[9], device_id=1
        ).registers == [1, 9, 3]
        assert not client.mask_write_register(address=7, and_mask=0, or_mask=5, device_id=1).isError()
        assert client.read_holding_registers(7, count=1, device_id=1).registers == [5]
        assert client.read_discrete_inputs(5000, count=1, device_id=1).exception_code == 2
        assert client.read_coils(0, count=1, device_id=7).exception_code == 0x0B
        information = client.read_device_information(device_id=1).information
        assert information == {0: b"Ombrella", 1: b"IO-64", 2: b"1.0"}


def test_pymodbus_over_a_serial_line(serve: Serve) -> None:
    served = serve({"    address: 192.0.2.20:502": "    protocol: modbus rtu\n    port: /dev/ttyS9"})
    path = served.endpoints["io rack"]
    assert path.startswith("/dev/")
    served.world.io["rack"].tables[RegisterTable.INPUT_REGISTER].update(enumerate(range(125)))
    with ModbusSerialClient(path, baudrate=19200, parity="N", timeout=2, retries=0) as client:
        assert client.read_input_registers(0, count=125, device_id=1).registers == list(range(125))
        assert not client.write_register(5, 7, device_id=1).isError()
        assert client.read_holding_registers(5, count=1, device_id=1).registers == [7]
        assert client.read_holding_registers(5000, count=1, device_id=1).exception_code == 2


def test_devices_behind_one_gateway(serve: Serve, ask: Callable[..., bytes]) -> None:
    second = "  other: {address: '192.0.2.20:502', device-id: 5}\n"
    served = serve({"\nsignals:\n": f"\n{second}\nsignals:\n"})
    assert served.endpoints["io rack"] == served.endpoints["io other"]
    served.world.io["other"].tables[RegisterTable.HOLDING_REGISTER][0] = 0x1234
    with served.connect("io rack") as connection:
        assert ask(connection, READ[:6] + b"\x05" + READ[7:], 13)[9:11] == b"\x12\x34"
        assert ask(connection, READ, 13)[9:11] == b"\x00\x00"


def test_a_unit_without_power_does_not_answer(served: Served, ask: Callable[..., bytes]) -> None:
    served.world.links["A"].powered = False
    with served.connect("link A") as connection:
        connection.sendall(READ)
        connection.settimeout(0.1)
        with pytest.raises(socket.timeout):
            connection.recv(100)
        served.world.links["A"].powered = True
        connection.settimeout(2)
        assert len(ask(connection, READ, 13)) == 13
