"""The unit's serial ports, opened by clients as any serial port."""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Callable
from typing import TYPE_CHECKING

import pyvisa
import serial
from hilseq_sim.servers.modbus_sessions import framed
from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pyvisa.resources import MessageBasedResource

from hilseq.description.registers import RegisterTable

if TYPE_CHECKING:
    from tests.simulated.servers.conftest import Serve, Served

READ = bytes.fromhex("03 0000 0002")


def test_echo_comes_back(served: Served) -> None:
    with serial.Serial(served.endpoints["port A/port 1"], 9600, parity="E", timeout=2) as port:
        for data in (b"hello", bytes(range(256)), b"\x00" * 4000):
            port.write(data)
            assert port.read(len(data)) == data


def test_a_wrong_speed_is_not_understood(served: Served) -> None:
    with serial.Serial(served.endpoints["port A/port 1"], 19200, timeout=0.1) as port:
        port.write(b"hello")
        assert port.read(5) == b""
        port.baudrate = 9600
        port.write(b"hello")
        assert port.read(5) == b"hello"


def test_a_port_can_be_opened_again_with_parity(served: Served) -> None:
    """The C library refuses parity on a pseudo-terminal when nothing else changes; clients never see it."""
    for _ in range(5):
        with serial.Serial(served.endpoints["port A/port 1"], 9600, parity="E", timeout=2) as port:
            port.write(b"again")
            assert port.read(5) == b"again"


def test_an_unusual_speed_is_read_right(serve: Serve) -> None:
    served = serve(profile_replacing={"speeds: [9600 Bd, 19200 Bd]": "speeds: [31250 Bd]"})
    with serial.Serial(served.endpoints["port A/port 1"], 31250, timeout=2) as port:
        port.write(b"midi")
        assert port.read(4) == b"midi"


def test_modbus_rtu_at_a_port(served: Served) -> None:
    """Through a VISA resource, as the stand file has it."""
    resource = served.endpoints["port A/port 2"]
    assert resource.startswith("ASRL/dev/")
    assert resource.endswith("::INSTR")
    served.world.ports["A", "port 2"].memory.tables[RegisterTable.HOLDING_REGISTER].update(
        {0: 0x1234, 1: 0x5678}
    )
    session = pyvisa.ResourceManager("@py").open_resource(resource, baud_rate=19200, timeout=2000)
    assert isinstance(session, MessageBasedResource)
    session.write_raw(framed(1, READ))
    assert session.read_bytes(9) == framed(1, bytes.fromhex("03 04 1234 5678"))
    session.close()
    path = resource.removeprefix("ASRL").removesuffix("::INSTR")
    with ModbusSerialClient(path, baudrate=19200, timeout=2, retries=0) as client:
        assert client.read_holding_registers(0, count=2, device_id=1).registers == [0x1234, 0x5678]


def test_what_the_line_spoils_is_spoilt_both_ways(served: Served) -> None:
    port = served.world.ports["A", "port 2"]
    path = served.endpoints["port A/port 2"].removeprefix("ASRL").removesuffix("::INSTR")
    with serial.Serial(path, 19200, timeout=0.2) as client:
        port.spoil = lambda data: data[:-1] + b"\x00"
        client.write(framed(1, READ))
        assert client.read(9) == b"", "a frame whose check sum is wrong must not be answered"
        passed = iter((True, False))
        port.spoil = lambda data: data if next(passed) else data[:-1] + b"\x00"
        client.reset_input_buffer()
        client.write(framed(1, READ))
        assert client.read(9) == framed(1, bytes.fromhex("03 04 0000 0000"))[:-1] + b"\x00"


def test_serial_device_servers_are_raw_tcp(serve: Serve, ask: Callable[..., bytes]) -> None:
    served = serve(
        {
            "resource: /dev/ttyUSB0": "resource: '192.0.2.40:4001'",
            "resource: ASRL/dev/ttyUSB1::INSTR": "resource: 'TCPIP::192.0.2.40::4002::SOCKET'",
        }
    )
    assert served.endpoints["port A/port 1"].startswith("127.0.0.1:")
    assert served.endpoints["port A/port 2"].startswith("TCPIP::127.0.0.1::")
    with served.connect("port A/port 1") as connection:
        assert ask(connection, b"hello", 5) == b"hello"
    with served.connect("port A/port 2") as connection:
        assert len(ask(connection, framed(1, READ), 9)) == 9


def test_a_network_port_of_the_unit(serve: Serve) -> None:
    served = serve(
        {"resource: /dev/ttyUSB0": "resource: '192.0.2.30:1502'"},
        profile_replacing={
            "partner: echo, speeds: [9600 Bd, 19200 Bd], frame: 8E1, longest-frame: 250, "
            "bit-error-ratio: 1.0e-3, clock-error: 2 %": "partner: modbus tcp, device-id: 3"
        },
    )
    host, port = served.address("port A/port 1")
    with ModbusTcpClient(host, port=port, timeout=2, retries=0) as client:
        assert client.read_coils(0, count=8, device_id=3).bits == [False] * 8
        assert client.read_coils(0, count=8, device_id=1).exception_code == 0x0B


def hung_up(port: int) -> bool:
    try:
        return os.read(port, 10) == b""
    except BlockingIOError:
        return False
    except OSError as error:
        return error.errno == errno.EIO


def test_ports_are_given_back(serve: Serve) -> None:
    """A client that still has the port open is hung up on."""
    served = serve()
    port = os.open(served.endpoints["port A/port 1"], os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    assert not hung_up(port)
    served.servers.loop.stop()
    end = time.monotonic() + 5
    while not hung_up(port):
        assert time.monotonic() < end, "the pseudo-terminal is still there"
        time.sleep(0.01)
    os.close(port)
