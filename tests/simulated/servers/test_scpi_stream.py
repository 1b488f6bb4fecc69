"""SCPI over real sockets: whatever way the bytes come, the answers are the same."""

from __future__ import annotations

import socket
import time
from collections.abc import Callable
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest
import pyvisa
from hilseq_sim.servers.scpi_commands import InstrumentOutput
from hilseq_sim.servers.scpi_instrument import Instrument
from hilseq_sim.servers.scpi_server import INPUT_BUFFER, ScpiSession
from hypothesis import given, settings
from hypothesis import strategies as st
from pyvisa.resources import MessageBasedResource

if TYPE_CHECKING:
    from tests.simulated.servers.conftest import Serve, Served, SmallSupply

MESSAGES = [
    b"*IDN?\n",
    b"VOLT 24;:OUTP ON\n",
    b"MEAS:VOLT?;:MEAS:CURR?\r\n",
    b"FOO?\n",
    b"SYST:ERR?\n",
    b"\n",
    b"  VOLT?  \n",
    b"VOLT 'a;b'\n",
    b"\xff\x00\n",
]


def session(supply: SmallSupply) -> ScpiSession:
    return ScpiSession(Instrument({1: InstrumentOutput(supply, 35.2)}), "supply main")


def answers(session: ScpiSession, parts: list[bytes]) -> bytes:
    return b"".join(session.answer(request) for part in parts for request in session.requests(part))


@given(st.lists(st.sampled_from(MESSAGES), max_size=12), st.lists(st.integers(0, 200), max_size=6))
@settings(max_examples=100)
def test_splitting_does_not_matter(
    small_supply: type[SmallSupply], messages: list[bytes], cuts: list[int]
) -> None:
    """Byte by byte, all at once, or cut anywhere: the same answers."""
    stream = b"".join(messages)
    places = sorted({min(cut, len(stream)) for cut in cuts} | {0, len(stream)})
    pieces = [stream[start:end] for start, end in pairwise(places)]
    whole = answers(session(small_supply()), [stream])
    assert answers(session(small_supply()), pieces) == whole
    assert answers(session(small_supply()), [stream[i : i + 1] for i in range(len(stream))]) == whole


def test_input_buffer_is_bounded(small_supply: type[SmallSupply]) -> None:
    """(1.1) -363 input buffer overrun; the message is thrown away and the next one is right."""
    fed = session(small_supply())
    for _ in range(INPUT_BUFFER // 1000 + 5):
        assert not fed.requests(b"V" * 1000)
    assert (
        answers(fed, [b"OLT 5\nSYST:ERR?;:VOLT?\nSYST:ERR?\n"])
        == b'-363,"Input buffer overrun";0\n0,"No error"\n'
    )
    assert answers(fed, [b"V" * (INPUT_BUFFER + 1) + b"\nSYST:ERR?\n"]) == b'-363,"Input buffer overrun"\n'


def test_other_terminations(small_supply: type[SmallSupply]) -> None:
    instrument = Instrument({1: InstrumentOutput(small_supply(), 35.2)})
    fed = ScpiSession(instrument, "supply main", read_termination="\r\n", write_termination="\r")
    assert answers(fed, [b"*OPC?\r\nVOLT?\r"]) == b"1\r\n0\r\n"


def test_a_question_cut_off_is_unterminated(served: Served, ask: Callable[..., bytes]) -> None:
    """(1.1) -420: the client waits for the answer to a question it did not finish."""
    with served.connect("supply main") as connection:
        connection.sendall(b"*IDN?")
        connection.shutdown(socket.SHUT_WR)
        assert connection.recv(100) == b""
    with served.connect("supply main") as connection:
        assert ask(connection, b"SYST:ERR?\n") == b'-420,"Query UNTERMINATED"\n'


def test_answers_before_the_end_still_come(served: Served) -> None:
    r"""As with `printf '*OPC?\n' | nc -N host port`."""
    with served.connect("supply main") as connection:
        connection.sendall(b"*OPC?\n*OPC?\n")
        connection.shutdown(socket.SHUT_WR)
        time.sleep(0.05)
        assert connection.recv(100) == b"1\n1\n"


def test_a_client_that_never_reads_is_interrupted(served: Served, ask: Callable[..., bytes]) -> None:
    """(1.1) -410: answers nobody reads are thrown away, memory stays bounded."""
    with served.connect("supply main") as connection:
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        question = b";".join([b"*IDN?"] * 1000) + b"\n"
        seen = b""
        with served.connect("supply main") as other:
            for _ in range(2000):
                connection.sendall(question)
                seen = ask(other, b"SYST:ERR?\n")
                if seen.startswith(b"-"):
                    break
        assert seen == b'-410,"Query INTERRUPTED"\n'


def test_several_connections_share_one_instrument(served: Served, ask: Callable[..., bytes]) -> None:
    with served.connect("supply main") as first, served.connect("supply main") as second:
        assert ask(first, b"VOLT 12;*OPC?\n") == b"1\n"
        assert ask(second, b"VOLT?\n") == b"12\n"
        first.sendall(b"FOO\n*OPC?\n")
        assert first.recv(10) == b"1\n"
        assert ask(second, b"SYST:ERR?\n") == b'-113,"Undefined header"\n'


def opened(resource: str) -> MessageBasedResource:
    session = pyvisa.ResourceManager("@py").open_resource(resource, timeout=2000)
    assert isinstance(session, MessageBasedResource)
    session.read_termination = session.write_termination = "\n"
    return session


def test_pyvisa_over_a_socket(served: Served) -> None:
    session = opened(served.endpoints["supply main"])
    assert session.query("*IDN?") == "Ombrella,PS-3203,SIM-1,1.0"
    assert session.query("VOLT 24;:OUTP ON;*OPC?") == "1"
    assert session.query_ascii_values("MEAS:VOLT?;:MEAS:CURR?", separator=";") == [24.0, 0.1]
    assert session.query("SYST:ERR?") == '0,"No error"'
    session.close()


def test_pyvisa_over_a_serial_line(serve: Serve) -> None:
    served = serve({"TCPIP::192.0.2.10::5025::SOCKET": "ASRL/dev/ttyS7::INSTR"})
    assert served.endpoints["supply main"].startswith("ASRL/dev/")
    session = opened(served.endpoints["supply main"])
    assert session.query("*IDN?") == "Ombrella,PS-3203,SIM-1,1.0"
    assert session.query("VOLT?;FOO") == "0"
    assert session.query("SYST:ERR?") == '-113,"Undefined header"'
    session.close()


@pytest.mark.parametrize("resource", ["GPIB0::5::INSTR", "USB0::1::2::3::INSTR", "TCPIP::192.0.2.10::INSTR"])
def test_other_buses_become_sockets(serve: Serve, resource: str) -> None:
    served = serve({"TCPIP::192.0.2.10::5025::SOCKET": resource})
    assert served.endpoints["supply main"].startswith("TCPIP::127.0.0.1::")
    session = opened(served.endpoints["supply main"])
    assert session.query("*OPC?") == "1"
    session.close()


def test_outputs_of_one_resource_share_a_server(serve: Serve, ask: Callable[..., bytes]) -> None:
    second = (
        "  aux: {resource: 'TCPIP::192.0.2.10::5025::SOCKET', output: 2, "
        "ceilings: {voltage: 5 V, current: 1 A}}\n"
    )
    served = serve({"\nio:\n": f"\n{second}\nio:\n"})
    assert served.endpoints["supply main"] == served.endpoints["supply aux"]
    with served.connect("supply aux") as connection:
        assert ask(connection, b"INST:NSEL 2;:VOLT 5;:VOLT? (@1,2)\n") == b"0,5\n"
    assert served.world.supplies["aux"].set_voltage == 5


def test_a_twin_greets_and_echoes_as_its_stand_file_says(serve: Serve) -> None:
    """Over a connection of our own: the greeting first, then each command line before its answer."""
    line = "resource: TCPIP::192.0.2.10::5025::SOCKET"
    served = serve({line: f"{line}\n    greeting: 2\n    echo: true"})
    with served.connect("supply main") as connection, connection.makefile("rwb") as stream:
        assert [stream.readline() for _ in range(2)] == [b"WELCOME\n"] * 2
        stream.write(b"VOLT 5\r\nVOLT?\n")
        stream.flush()
        assert [stream.readline() for _ in range(3)] == [b"VOLT 5\n", b"VOLT?\n", b"5\n"]
