"""VISA resources that end in INSTR: HiSLIP and VXI-11, real pyvisa against small servers of each protocol."""

from __future__ import annotations

import gc
import logging
import socket
import struct
import time
import warnings
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import pytest

from hilseq.errors import InstrumentTimeout, InvalidResponse
from hilseq.instruments.visa import VisaSession

if TYPE_CHECKING:
    from tests.instruments.conftest import RawServer, Serve

DEADLINE = 0.4
#: A deadline far beyond the time limit of a test, s: who waits for it fails by that.
FOREVER = 3600.0
Reply = Callable[[bytes], bytes | None]


def taken(stream: socket.socket, count: int) -> bytes:
    """Receive exactly `count` bytes; ValueError ends a handler whose client has gone."""
    data = b""
    while len(data) < count:
        piece = stream.recv(count - len(data))
        if not piece:
            raise ValueError("closed")
        data += piece
    return data


#: HiSLIP messages that need no more than an answer: number of the message -> number of the answer.
_PLAIN = {
    17: 18,  # AsyncInitialize
    19: 23,  # AsyncDeviceClear
    8: 9,  # DeviceClearComplete
}
NONSENSE = b"HTTP/1.0 400 Bad Request\r\n"


def hislip(reply: Reply) -> Callable[[socket.socket, int], None]:
    """Return the handler of a HiSLIP server (IVI-6.1): both channels, data, clear."""

    def handler(connection: socket.socket, _: int) -> None:
        def send(kind: int, parameter: int = 0, payload: bytes = b"") -> None:
            connection.sendall(struct.pack("!2sBBIQ", b"HS", kind, 0, parameter, len(payload)) + payload)

        while True:
            _, kind, _, parameter, length = struct.unpack("!2sBBIQ", taken(connection, 16))
            payload = taken(connection, length)
            if kind == 0:  # Initialize: version 1.0, session 1
                send(1, 0x0100_0001)
            elif kind in _PLAIN:
                send(_PLAIN[kind])
            elif kind == 15:  # AsyncMaxMsgSize
                send(16, payload=payload)
            elif (answer := reply(payload)) == NONSENSE:
                connection.sendall(NONSENSE)
            elif answer is not None:
                send(7, parameter, answer)  # DataEnd

    return handler


def vxi11(reply: Reply) -> Callable[[socket.socket, int], None]:
    """Return the handler of a VXI-11 server (VXIbus TCP/IP-1.0): links, write, read, clear."""

    def handler(connection: socket.socket, _: int) -> None:
        answer: bytes | None = None
        while True:
            (mark,) = struct.unpack("!I", taken(connection, 4))
            call = taken(connection, mark & 0x7FFF_FFFF)
            xid, procedure = struct.unpack_from("!I16xI", call)
            arguments = call[40:]
            result = struct.pack("!I", 0)
            if procedure == 10:  # create_link: link 1, abort port 0, 1024 bytes at a time
                result += struct.pack("!III", 1, 0, 1024)
            elif procedure == 11:  # device_write
                (size,) = struct.unpack_from("!I", arguments, 16)
                answer = reply(arguments[20 : 20 + size])
                result += struct.pack("!I", size)
            elif procedure == 12:  # device_read; 15 is its error `I/O timeout`, 4 its reason `end`
                data = answer or b""
                padded = data + bytes(-len(data) % 4)
                status = 15 if answer is None else 0
                result = struct.pack("!III", status, 4, len(data)) + padded
                answer = None
            body = struct.pack("!IIIIII", xid, 1, 0, 0, 0, 0) + result
            connection.sendall(struct.pack("!I", 0x8000_0000 | len(body)) + body)

    return handler


Open = Callable[[Reply], VisaSession]


@pytest.fixture(params=["hislip", "vxi11"])
def open_instr(request: pytest.FixtureRequest, serve: Serve) -> Iterator[Open]:
    """Open a session to a server of either protocol."""
    sessions: list[VisaSession] = []

    def resource(server: RawServer) -> str:
        if request.param == "hislip":
            return f"TCPIP::127.0.0.1::hislip0,{server.port}::INSTR"
        return f"TCPIP::127.0.0.1,{server.port}::inst0::INSTR"

    def build(reply: Reply) -> VisaSession:
        server = serve((hislip if request.param == "hislip" else vxi11)(reply))
        sessions.append(VisaSession(resource(server), name="supply main", deadline=DEADLINE))
        return sessions[-1]

    yield build
    for session in sessions:
        session.close()


def test_question_and_answer(open_instr: Open) -> None:
    """Questions, commands and longer answers."""
    visa = open_instr(lambda data: (b"x" * 3000 + b"\n") if data == b"LONG?\n" else b"to " + data)
    assert visa.query("A?") == "to A?"
    visa.write("VOLT 24")
    assert visa.query("B?") == "to B?"
    if "hislip" in visa.resource:  # the small VXI-11 server sends one piece only
        assert visa.query("LONG?") == "x" * 3000


def test_silence_ends_at_the_deadline_and_is_forgotten(open_instr: Open) -> None:
    """One deadline, then the next question gets its own answer."""
    visa = open_instr(lambda data: None if data.startswith(b"SILENT") else b"to " + data)
    visa.open()
    with pytest.raises(InstrumentTimeout, match=r"did not answer 'SILENT\?' within 0.4 s"):
        visa.query("SILENT?")
    assert visa.query("B?") == "to B?"


def test_a_server_that_hangs_ends_at_the_deadline(open_instr: Open) -> None:
    """Not even the protocol below answers: the deadline holds for it, too, and for closing."""

    def hang(data: bytes) -> bytes | None:
        if data == b"HANG?\n":
            time.sleep(3 * DEADLINE)
        return b"to " + data

    visa = open_instr(hang)
    visa.open()
    with pytest.raises(InstrumentTimeout):
        visa.query("HANG?")
    visa.close()


def test_a_close_raises_at_once(open_instr: Open) -> None:
    """A server that hangs up in the middle is lost, at once, and found again."""
    hung_up = [True]

    def reply(data: bytes) -> bytes | None:
        if hung_up and hung_up.pop():
            raise ValueError("hang up")
        return b"to " + data

    visa = open_instr(reply)
    visa.deadline = FOREVER
    visa.open()
    with pytest.raises(InstrumentTimeout):
        visa.query("A?")
    assert visa.query("B?") == "to B?"


def test_nonsense_of_the_protocol_is_garbage(open_instr: Open) -> None:
    """What pyvisa-py asserts or raises bare about an instrument is the instrument's nonsense."""
    visa = open_instr(lambda data: NONSENSE if data == b"A?\n" else b"to " + data)
    if "hislip" not in visa.resource:
        return  # in VXI-11 every answer of ours is well-formed
    with pytest.raises(InvalidResponse, match="protocol synchronization error"):
        visa.query("A?")
    assert visa.query("B?") == "to B?"


@pytest.mark.parametrize("form", ["127.0.0.1::hislip0,{}", "127.0.0.1,{}::inst0"], ids=["hislip", "vxi11"])
def test_a_refused_port(serve: Serve, form: str, caplog: pytest.LogCaptureFixture) -> None:
    """Nobody there: lost, in both protocols."""
    caplog.set_level(logging.CRITICAL, logger="pyvisa")  # its log record would keep the socket
    server = serve(lambda *_: None)
    server.refuse()
    resource = f"TCPIP::{form.format(server.port)}::INSTR"
    with warnings.catch_warnings():
        # pyvisa-py leaves the socket of a failed opening to the garbage collector.
        warnings.simplefilter("ignore", ResourceWarning)
        with pytest.raises(InstrumentTimeout):
            VisaSession(resource, name="supply main", deadline=DEADLINE).open()
        gc.collect()
