"""A VISA session is believed only as far as it deserves: real pyvisa against servers that misbehave."""

from __future__ import annotations

import os
import socket
import termios
import threading
import time
from collections.abc import Callable
from contextlib import closing
from typing import TYPE_CHECKING

import pytest

from hilseq.description.fields import SerialLine
from hilseq.description.scpi import ScpiSupply
from hilseq.errors import InstrumentTimeout, InvalidResponse, StandFault, UnitSilent
from hilseq.instruments.scpi_supply import ScpiOutput
from hilseq.instruments.transport import resource_manager
from hilseq.instruments.visa import VisaSession
from tests.instruments.conftest import lines

if TYPE_CHECKING:
    from tests.instruments.conftest import Answer, RawServer, SerialPair, Serve

ServeText = Callable[["Answer"], "RawServer"]
DEADLINE = 1.0  # long beside what a busy machine adds to an answer, short beside the time limit of a test
#: A deadline far beyond the time limit of a test, s: who waits for it fails by that.
FOREVER = 3600.0


def session(server: RawServer, deadline: float = DEADLINE) -> VisaSession:
    return VisaSession(server.resource, name="supply main", deadline=deadline)


def echo(line: str) -> str | None:
    return f"answer to {line}" if line.endswith("?") else None


def test_question_and_answer(serve_text: ServeText) -> None:
    """A question gets its answer without termination; a command gets none."""
    with session(serve_text(echo)) as visa:
        visa.write("VOLT 24")
        assert visa.query("VOLT?") == "answer to VOLT?"


def test_a_command_before_a_question_does_not_stall(serve_text: ServeText) -> None:
    """TCP_NODELAY is set: without it a command and a question behind it take 40 ms or more (RFC 896)."""
    with session(serve_text(echo)) as visa:
        visa.query("VOLT?")
        watched = visa._watched
        assert watched is not None
        assert watched.wrapped.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)


def test_silence_ends_at_the_deadline(serve_text: ServeText) -> None:
    """A silent instrument costs one deadline, and the message says what was asked of whom."""
    with session(serve_text(lambda _: None)) as visa:
        with pytest.raises(InstrumentTimeout):
            visa.query("MEAS:VOLT?")
        with pytest.raises(InstrumentTimeout, match=r"supply main \(TCPIP.*'\*IDN\?' within 0.1 s"):
            visa.query("*IDN?", deadline=0.1)


def test_the_owner_goes_into_the_error(serve_text: ServeText) -> None:
    """A unit that is talked to over VISA and stays silent is a silent unit."""
    server = serve_text(lambda _: None)
    with (
        VisaSession(server.resource, name="unit", deadline=0.1, responsible="unit") as visa,
        pytest.raises(UnitSilent),
    ):
        visa.query("*IDN?")


def test_a_silent_close_raises_at_once(serve: Serve) -> None:
    """pyvisa-py alone would spin at full load until the time-out and then report a time-out."""

    def hang_up(connection: socket.socket, _: int) -> None:
        connection.recv(100)

    with session(serve(hang_up), deadline=FOREVER) as visa, pytest.raises(InstrumentTimeout):
        visa.query("MEAS:VOLT?")


def test_a_close_in_the_middle_of_an_answer(serve: Serve) -> None:
    """Half an answer is none."""

    def half(connection: socket.socket, _: int) -> None:
        connection.recv(100)
        connection.sendall(b"24.0")

    with session(serve(half), deadline=FOREVER) as visa, pytest.raises(InstrumentTimeout):
        visa.query("MEAS:VOLT?")


def test_a_refused_port_is_reported_when_opening(serve: Serve) -> None:
    """pyvisa-py alone opens a refused port without complaint."""
    server = serve(lambda *_: None)
    server.refuse()
    with pytest.raises(InstrumentTimeout):
        session(server, deadline=FOREVER).open()
    with pytest.raises(InstrumentTimeout, match=r"[Rr]efused"):
        session(server).query("*IDN?")


@pytest.mark.parametrize("resource", ["nonsense", "TCPIP::127.0.0.1::SOCKET::x::y", "GPIB0::5::INSTR"])
def test_a_resource_that_cannot_be_used(resource: str) -> None:
    """A slip in the stand file is a stand fault with the resource in its message, never a traceback."""
    with pytest.raises(StandFault, match="supply"):
        VisaSession(resource, name="supply main", deadline=0.2).open()


def test_a_late_answer_is_never_taken_for_the_next(serve: Serve) -> None:
    """The first question is answered too late; the second gets its own answer, not the first one's."""

    def late(connection: socket.socket, _: int) -> None:
        for line in connection.makefile("rb"):
            if line == b"FIRST?\n":
                time.sleep(DEADLINE * 1.5)
            connection.sendall(b"to " + line)

    with session(serve(late)) as visa:
        with pytest.raises(InstrumentTimeout):
            visa.query("FIRST?")
        time.sleep(DEADLINE)
        assert visa.query("SECOND?") == "to SECOND?"
        assert visa.query("THIRD?") == "to THIRD?"


def test_an_interrupted_question_does_not_put_answers_out_of_step(serve_text: ServeText) -> None:
    """Ctrl-C in the middle of an exchange: the answer under way is not the next question's."""
    with session(serve_text(echo)) as visa:
        visa.query("FIRST?")
        visa._stale = True  # what an exchange that was interrupted leaves behind
        watched = visa._watched
        assert watched is not None
        watched.wrapped.sendall(b"INTERRUPTED?\n")
        assert visa.query("SECOND?") == "answer to SECOND?"


def test_an_answer_that_came_in_time_is_taken_late(serve_text: ServeText) -> None:
    """A sampler that waited for somebody else past the deadline does not call this instrument silent."""
    with session(serve_text(echo)) as visa:
        visa.ask("MEAS:VOLT?")
        time.sleep(DEADLINE * 1.5)
        assert visa.answer() == "answer to MEAS:VOLT?"


def test_an_answer_that_did_not_come_in_time_is_not_waited_for(serve_text: ServeText) -> None:
    """Past the deadline there is nothing more to wait for."""
    with session(serve_text(lambda _: None)) as visa:
        visa.ask("MEAS:VOLT?")
        visa.deadline = FOREVER
        time.sleep(DEADLINE * 1.5)
        with pytest.raises(InstrumentTimeout):
            visa.answer()


def test_what_comes_unasked_is_no_answer(serve: Serve) -> None:
    """Two answers to one question: the second is not taken for the next question's."""

    def twice(connection: socket.socket, _: int) -> None:
        for line in connection.makefile("rb"):
            connection.sendall(b"to " + line + b"extra\r\n")

    with session(serve(twice)) as visa:
        assert visa.query("FIRST?") == "to FIRST?"
        time.sleep(0.05)
        with pytest.raises(InvalidResponse, match="'extra"):
            visa.query("SECOND?")
        assert visa.query("THIRD?") == "to THIRD?"


def test_an_idle_connection_that_was_dropped_is_opened_again(serve: Serve) -> None:
    """Many instruments drop idle connections; nothing was asked, so nothing is lost."""

    def once(connection: socket.socket, _: int) -> None:
        connection.sendall(b"to " + connection.recv(100))

    server = serve(once)
    with session(server) as visa:
        assert visa.query("FIRST?") == "to FIRST?"
        time.sleep(0.05)
        assert visa.query("SECOND?") == "to SECOND?"
        assert len(server.connections) == 2
        time.sleep(0.05)
        server.refuse()
        with pytest.raises(InstrumentTimeout):
            visa.query("THIRD?")


@pytest.mark.parametrize("answer", ["24.0\xb1", "\xff\xfe\x00", "\x80" * 200])
def test_an_answer_that_is_no_text_is_garbage(serve_text: ServeText, answer: str) -> None:
    """Hostile bytes are shown as text in one short line."""
    with session(serve_text(lambda _: answer)) as visa:
        with pytest.raises(InvalidResponse, match="is not text") as caught:
            visa.query("MEAS:VOLT?")
        assert str(caught.value).isprintable()
        assert len(str(caught.value)) < 500


def test_an_endless_answer_is_cut_off(serve: Serve) -> None:
    """A stream without end is bounded in size."""

    def flood(connection: socket.socket, _: int) -> None:
        connection.recv(100)
        while True:
            connection.sendall(b"9" * 4096)

    with session(serve(flood), deadline=FOREVER) as visa, pytest.raises(InvalidResponse):
        visa.query("MEAS:VOLT?")


def test_a_dripping_answer_ends_at_the_deadline(serve: Serve) -> None:
    """A byte every 10 ms without end: pyvisa-py alone would listen for ten minutes."""

    def drip(connection: socket.socket, _: int) -> None:
        connection.recv(100)
        while True:
            connection.sendall(b"9")
            time.sleep(0.01)

    with session(serve(drip)) as visa, pytest.raises(InstrumentTimeout):
        visa.query("MEAS:VOLT?")


def test_a_peer_that_stops_reading_does_not_block_the_command(serve: Serve) -> None:
    """pyvisa-py alone waits without end for room in the socket."""
    done = threading.Event()

    def deaf(_: socket.socket, __: int) -> None:
        done.wait(20)

    with session(serve(deaf)) as visa:
        watched = visa._watched
        assert watched is not None
        watched.wrapped.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
        with pytest.raises(InstrumentTimeout):
            visa.write("X" * 30_000_000)
        done.set()


def test_a_lost_instrument_that_comes_back_is_found_again(serve: Serve) -> None:
    """After a failure the next call opens a new connection by itself."""

    def moody(connection: socket.socket, number: int) -> None:
        for line in connection.makefile("rb"):
            if number:
                connection.sendall(b"to " + line)
            else:
                return

    with session(serve(moody)) as visa:
        with pytest.raises(InstrumentTimeout):
            visa.query("FIRST?")
        assert visa.query("SECOND?") == "to SECOND?"


def test_one_session_is_closed_and_the_others_live(serve_text: ServeText) -> None:
    """Sessions share one resource manager; closing one leaves the manager and the others alone."""
    first, second = session(serve_text(echo)), session(serve_text(echo))
    first.open()
    second.open()
    first.close()
    assert second.query("VOLT?") == "answer to VOLT?"
    assert first.query("VOLT?") == "answer to VOLT?"  # a closed session opens anew
    first.close()
    second.close()
    assert resource_manager() is resource_manager()


def test_two_threads_share_a_session(serve_text: ServeText) -> None:
    """Sessions of pyvisa are not thread-safe; ours gives every thread its own answers."""
    wrong: list[str] = []
    with session(serve_text(echo), deadline=2.0) as visa:

        def ask(name: str) -> None:
            wrong.extend(
                answer for _ in range(100) if (answer := visa.query(f"{name}?")) != f"answer to {name}?"
            )

        threads = [threading.Thread(target=ask, args=(name,)) for name in ("A", "B", "C")]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(20)
    assert wrong == []


def test_other_terminations(serve: Serve) -> None:
    """An instrument that ends its lines with CR LF, and one that wants CR."""

    def carriage(connection: socket.socket, _: int) -> None:
        buffer = b""
        while data := connection.recv(100):
            buffer += data
            while b"\r" in buffer:
                line, buffer = buffer.split(b"\r", 1)
                connection.sendall(b"to " + line + b"\r\n")

    server = serve(carriage)
    with VisaSession(
        server.resource, name="odd", deadline=DEADLINE, read_termination="\r\n", write_termination="\r"
    ) as visa:
        assert [visa.query("A?"), visa.query("B?")] == ["to A?", "to B?"]


def test_a_late_answer_on_a_serial_line_is_not_taken_for_the_next(serial_pair: SerialPair) -> None:
    """The next question waits until it has passed; a command, which may switch off, does not."""
    heard: list[bytes] = []

    def reply(data: bytes) -> bytes:
        heard.append(data)
        if b"SLOW" in data:
            time.sleep(1.4)
        return b"" if b"OFF" in data else b"to " + data

    serial_pair.answer(reply)
    with VisaSession(f"ASRL{serial_pair.path}::INSTR", name="supply main", deadline=1.0) as visa:
        assert visa.query("A?") == "to A?"
        with pytest.raises(InstrumentTimeout):
            visa.query("SLOW?")
        visa.write("OFF")
        assert visa.query("B?") == "to B?"
        assert visa.query("C?") == "to C?"
    assert heard == [b"A?\n", b"SLOW?\n", b"OFF\n", b"B?\n", b"C?\n"]


def test_a_serial_instrument(serial_pair: SerialPair) -> None:
    """A supply on a serial port is an ASRL resource; silence and late answers are handled too."""
    silent = threading.Event()

    def reply(data: bytes) -> bytes:
        if b"SLOW" in data:
            time.sleep(0.3)
        return b"" if silent.is_set() else b"to " + data

    serial_pair.answer(reply)
    with VisaSession(
        f"ASRL{serial_pair.path}::INSTR",
        name="supply main",
        deadline=0.25,
        line=SerialLine.model_validate({"speed": 19200, "frame": "8N1"}),
    ) as visa:
        assert visa.query("A?") == "to A?"
        with pytest.raises(InstrumentTimeout):
            visa.query("SLOW?")
        time.sleep(0.2)
        assert visa.query("B?") == "to B?"
        silent.set()
        with pytest.raises(InstrumentTimeout, match=r"'C\?' within 0.25 s"):
            visa.query("C?")


@pytest.mark.parametrize(
    ("line", "speed"),
    [({}, termios.B9600), ({"line": {"speed": 115200}}, termios.B115200)],
    ids=["as VISA has it", "as the stand file has it"],
)
def test_a_serial_supply_is_spoken_to_at_its_own_speed(
    serial_pair: SerialPair, line: dict[str, object], speed: int
) -> None:
    """The speed that the stand file tells is set at the port, in the frame that such instruments have."""
    supply = ScpiSupply.model_validate(
        {
            "resource": f"ASRL{serial_pair.path}::INSTR",
            "ceilings": {"voltage": "30 V", "current": "2 A"},
            **line,
        }
    )
    assert supply.line.frame == "8N1"
    serial_pair.answer(lambda _: b"1\n")
    output = ScpiOutput("main", supply)
    with closing(output):
        assert output.is_on() is True
        file = os.open(serial_pair.path, os.O_RDWR | os.O_NOCTTY)
        try:
            assert termios.tcgetattr(file)[4:6] == [speed, speed]
        finally:
            os.close(file)


def test_a_missing_serial_port_is_a_stand_fault() -> None:
    """A wrong device name in the stand file is reported as such."""
    with pytest.raises(StandFault, match="nosuch"):
        VisaSession("ASRL/dev/nosuch::INSTR", name="supply main", deadline=0.2).open()


def test_a_late_answer_is_waited_for_and_not_asked_for_twice(serve: Serve) -> None:
    """Of an instrument that has answered before: a question that takes an entry off a queue would act twice."""
    heard = list[str]()

    def late(connection: socket.socket, _: int) -> None:
        for line in lines(connection):
            heard.append(line)
            time.sleep(1.3 * DEADLINE if line == "SYST:ERR?" else 0.0)
            connection.sendall(f"answer to {line}\n".encode())

    with session(serve(late)) as visa:
        visa.query("VOLT?")
        assert visa.query("SYST:ERR?") == "answer to SYST:ERR?"
        assert visa.query("CURR?") == "answer to CURR?"
    assert heard == ["VOLT?", "SYST:ERR?", "CURR?"]
    assert visa.late == 1


def test_an_instrument_is_left_the_pause_that_it_needs(serve: Serve) -> None:
    """One that loses what comes within 50 ms of its last command or answer gets every message."""
    quiet, heard = 0.05, list[str]()

    def hasty(connection: socket.socket, _: int) -> None:
        ready = 0.0
        for line in lines(connection):
            if time.monotonic() >= ready:
                heard.append(line)
                if line.endswith("?"):
                    connection.sendall(b"1\n")
            ready = time.monotonic() + quiet

    with VisaSession(serve(hasty).resource, name="supply main", deadline=DEADLINE, pause=2 * quiet) as visa:
        for _ in range(3):
            visa.write("VOLT 24")
            assert visa.query("VOLT?") == "1"
    assert heard == ["VOLT 24", "VOLT?"] * 3
