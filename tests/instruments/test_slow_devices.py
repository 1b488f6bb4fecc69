"""Devices that want a pause before the next request, and devices that close the connection after each answer."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from typing import TYPE_CHECKING

import pytest

from hilseq.description.registers import ModbusLimits, Register, RegisterTable
from hilseq.errors import InstrumentTimeout, StandFault, UnitSilent
from hilseq.instruments import pdu
from hilseq.instruments.modbus import ModbusDevice
from hilseq.instruments.register_bank import RegisterBank
from tests.instruments.conftest import modbus_frame, modbus_requests

if TYPE_CHECKING:
    from tests.instruments.conftest import RawServer, SerialPair, Serve

#: A deadline far beyond the time limit of a test, s: who waits for it fails by that.
FOREVER = 3600.0
HOLDING = RegisterTable.HOLDING_REGISTER
PAUSE = 0.05
Handler = Callable[[socket.socket, int], None]


def answer(body: bytes) -> bytes:
    return b"\x03\x02\x00\x2a" if body[0] == 3 else body[:5]


def deaf_for(seconds: float) -> Handler:
    """Return a server that loses each request that comes sooner than that after its last answer.

    Its pause begins before the answer is on its way: after that the other end may have it already, and wait.
    """

    def serve(connection: socket.socket, _: int) -> None:
        answered = -1.0
        for head, body in modbus_requests(connection):
            if time.monotonic() - answered >= seconds:
                answered = time.monotonic()
                connection.sendall(modbus_frame(head, answer(body)))

    return serve


def closing(asked: list[int], *, before: float = 0.0, answers: int = 1) -> Handler:
    """Return a server that answers so often on a connection, takes one more request, and closes without answer.

    `asked` collects the function of every request it took; `before` is how long it leaves the far end in the belief
    that it listens, s.
    """

    def serve(connection: socket.socket, _: int) -> None:
        for turn, (head, body) in enumerate(modbus_requests(connection)):
            asked.append(body[0])
            if turn == answers:
                time.sleep(before)
                return
            connection.sendall(modbus_frame(head, answer(body)))

    return serve


def rack(server: RawServer, deadline: float = 5.0, pause: float = 0.0) -> ModbusDevice:
    quirks = ModbusLimits.model_validate({"pause": f"{pause} s"})
    return ModbusDevice.over_tcp("io rack", server.endpoint, deadline=deadline, quirks=quirks)


MakeOne = Callable[[float], "OneAtATime"]


@pytest.fixture
def one_at_a_time() -> Iterator[MakeOne]:
    made: list[OneAtATime] = []

    def start(busy: float) -> OneAtATime:
        made.append(OneAtATime(busy))
        return made[-1]

    yield start
    for each in made:
        each.stop()


def test_the_pause_of_the_description_is_kept(serve: Serve) -> None:
    """Reads, writes and reading back, one behind the other: none comes too soon."""
    with rack(serve(deaf_for(PAUSE)), pause=PAUSE) as device:
        for _ in range(3):
            device.write_block(HOLDING, 0, [42], verify=True)


def test_without_the_pause_such_a_device_is_silent(serve: Serve) -> None:
    """The default is none: a request that is lost is reported as before."""
    with rack(serve(deaf_for(5.0)), deadline=0.3) as device:
        device.read_block(HOLDING, 0, 1)
        with pytest.raises(InstrumentTimeout):
            device.read_block(HOLDING, 0, 1)


def test_a_pause_on_a_serial_line(serial_pair: SerialPair) -> None:
    """Longer than the silent interval of the specification where the device needs that."""
    came: list[float] = []

    def reply(frame: bytes) -> bytes:
        came.append(time.monotonic())
        return pdu.rtu_frame(frame[0], b"\x03\x02\x00\x2a")

    serial_pair.answer(reply)
    quirks = ModbusLimits.model_validate({"pause": "100 ms"})
    with ModbusDevice.over_serial(
        "port 1", serial_pair.path, frame="8N1", deadline=5.0, quirks=quirks
    ) as device:
        device.read_block(HOLDING, 0, 1)
        device.read_block(HOLDING, 0, 1)
    assert came[1] - came[0] >= 0.1


def test_a_connection_closed_on_a_question_is_opened_again_once(serve: Serve) -> None:
    """A device that closes after each answer, the next question already on its way: it is asked again."""
    asked: list[int] = []
    with rack(serve(closing(asked))) as device:
        assert [device.read_block(HOLDING, 0, 1) for _ in range(4)] == [[42]] * 4
    assert len(asked) == 4 + 3


def test_a_command_is_never_sent_twice(serve: Serve) -> None:
    """Whether a command on its way was carried out is not known: its loss is reported."""
    asked: list[int] = []
    with rack(serve(closing(asked, answers=2))) as device:
        for _ in range(2):
            device.read_block(HOLDING, 0, 1)
        with pytest.raises(InstrumentTimeout, match="closed by the far end"):
            device.write_block(HOLDING, 0, [1])
        assert asked == [3, 3, 6]
        device.write_block(HOLDING, 0, [1])
        assert asked == [3, 3, 6, 6]


def test_the_first_command_reaches_a_device_that_closes_late(serve: Serve) -> None:
    """Whether it closes is found out with a question, so that the command is sent once, and is not lost."""
    asked: list[int] = []
    server = serve(closing(asked, before=0.05))
    with ModbusDevice.over_tcp("unit SN1", server.endpoint, responsible="unit", deadline=5.0) as device:
        device.read_block(HOLDING, 0, 1)
        device.write_block(HOLDING, 0, [1])
        assert asked == [3, 3, 3, 6]
        device.write_block(HOLDING, 0, [1])
    assert asked == [3, 3, 3, 6, 6]


def test_a_device_that_keeps_its_connection_is_found_out_once(serve: Serve) -> None:
    """One question more before the first command, over the same connection, and none after that."""
    asked: list[int] = []
    server = serve(closing(asked, answers=100))
    with rack(server) as device:
        device.read_block(HOLDING, 0, 1)
        for _ in range(3):
            device.write_block(HOLDING, 0, [1])
        assert asked == [3, 3, 6, 6, 6]
        device.close()
        device.read_block(HOLDING, 0, 1)
        device.write_block(HOLDING, 0, [1])
    assert asked == [3, 3, 6, 6, 6, 3, 6]


def test_finding_out_ends_at_the_deadline(serve: Serve) -> None:
    """A device that has died after one answer is silent within the deadline of the command, which is not sent."""
    asked: list[int] = []

    def dies(connection: socket.socket, _: int) -> None:
        for head, body in modbus_requests(connection):
            asked.append(body[0])
            if len(asked) == 1:
                connection.sendall(modbus_frame(head, answer(body)))

    with rack(serve(dies), deadline=0.4) as device:
        device.read_block(HOLDING, 0, 1)
        with pytest.raises(InstrumentTimeout, match="write holding register 0"):
            device.write_block(HOLDING, 0, [1])
        assert asked == [3, 3]


@pytest.mark.parametrize("many", [False, True], ids=["one", "many"])
def test_values_that_are_read_back_are_written_once_more(serve: Serve, many: bool) -> None:
    """Setting what is set already harms nobody: a close that crosses the write, whenever it comes, is made good."""
    asked: list[int] = []
    with rack(serve(closing(asked, answers=2))) as device:
        register = Register.model_validate({"table": "holding register", "address": 0})
        for _ in range(2):
            device.read_block(HOLDING, 0, 1)
        if many:
            RegisterBank({"level": register}, device).write_many({"level": 42.0})
        else:
            device.write(register, 42.0)
    assert asked == [3, 3, 6, 6, 3]


def test_values_are_written_once_more_only_once(serve: Serve) -> None:
    """A device that closes on every write is reported; it is not asked until it gives in."""
    asked: list[int] = []

    def refuses(connection: socket.socket, _: int) -> None:
        for head, body in modbus_requests(connection):
            asked.append(body[0])
            if body[0] == 6:
                return
            connection.sendall(modbus_frame(head, answer(body)))

    with ModbusDevice.over_tcp(
        "unit SN1", serve(refuses).endpoint, responsible="unit", deadline=5.0
    ) as device:
        for _ in range(2):
            device.read_block(HOLDING, 0, 1)
        with pytest.raises(UnitSilent, match="closed by the far end"):
            device.write_block(HOLDING, 0, [42], verify=True)
    assert asked == [3, 3, 6, 6]


def test_commands_go_over_a_fresh_connection_once_a_device_is_known_to_close(serve: Serve) -> None:
    """After one closed connection no write is trusted to one on which an answer has come."""
    asked: list[int] = []
    with rack(serve(closing(asked))) as device:
        device.read_block(HOLDING, 0, 1)
        device.read_block(HOLDING, 0, 1)
        for _ in range(3):
            device.write_block(HOLDING, 0, [42], verify=True)
    assert asked.count(6) == 3


def test_a_device_that_only_drops_idle_connections_keeps_the_one_it_has(serve: Serve) -> None:
    """Many answers on one connection: its end does not make writes open a new one each."""
    server = serve(closing([], answers=4))
    with rack(server) as device:
        for _ in range(5):
            device.read_block(HOLDING, 0, 1)
        device.write_block(HOLDING, 0, [1])
        device.write_block(HOLDING, 0, [1])
    assert len(server.connections) == 2


def test_a_device_that_closes_without_any_answer_is_reported_at_once(serve: Serve) -> None:
    """The first question on a connection was not crossed by a close: nobody answers there."""
    asked: list[int] = []
    with (
        rack(serve(closing(asked, answers=0)), deadline=FOREVER) as device,
        pytest.raises(InstrumentTimeout, match="closed by the far end"),
    ):
        device.read_block(HOLDING, 0, 1)
    assert asked == [3]


def test_a_dead_device_behind_a_closed_connection_ends_at_the_deadline(serve: Serve) -> None:
    """Opened again, it says nothing: both halves together take one deadline."""

    def dying(connection: socket.socket, number: int) -> None:
        if number == 0:
            closing([], before=0.9)(connection, number)
        else:
            while connection.recv(1000):
                pass

    server = serve(dying)
    with ModbusDevice.over_tcp("unit SN1", server.endpoint, responsible="unit", deadline=1.0) as device:
        device.read_block(HOLDING, 0, 1)
        with pytest.raises(UnitSilent, match="within 1 s"):
            device.read_block(HOLDING, 0, 1)
    assert len(server.connections) == 2


class OneAtATime:
    """A device with a single connection: it closes after each answer, and refuses the next for `busy` seconds."""

    def __init__(self, busy: float) -> None:
        self._busy = busy
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.endpoint = f"127.0.0.1:{self._listener.getsockname()[1]}"
        self.asked: list[int] = []
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        address = self._listener.getsockname()
        while not self._stopped.is_set():
            with self._listener, suppress(OSError, StopIteration):
                self._listener.settimeout(0.05)
                connection, _ = self._listener.accept()
                self._listener.close()
                with connection:
                    head, body = next(modbus_requests(connection))
                    self.asked.append(body[0])
                    connection.sendall(modbus_frame(head, answer(body)))
                self._stopped.wait(self._busy)
            self._listener = socket.create_server(address)
        self._listener.close()

    def stop(self) -> None:
        self._stopped.set()
        self._thread.join(5)
        assert not self._thread.is_alive()


def test_a_device_with_a_single_connection_is_given_its_moment(one_at_a_time: MakeOne) -> None:
    """It refuses while it puts the last connection away; who has just answered is not gone."""
    peer = one_at_a_time(0.2)
    with ModbusDevice.over_tcp("unit SN1", peer.endpoint, responsible="unit", deadline=5.0) as device:
        device.read_block(HOLDING, 0, 1)
        for _ in range(2):
            device.write_block(HOLDING, 0, [42], verify=True)
    assert peer.asked.count(6) == 2


def test_a_device_that_goes_on_refusing_is_reported_at_the_deadline(one_at_a_time: MakeOne) -> None:
    """Refused until the deadline is silence, as at once where nobody has answered before."""
    peer = one_at_a_time(30.0)
    with ModbusDevice.over_tcp("unit SN1", peer.endpoint, responsible="unit", deadline=1.0) as device:
        device.read_block(HOLDING, 0, 1)
        for _ in range(2):
            with pytest.raises(UnitSilent, match=r"[Rr]efused"):
                device.read_block(HOLDING, 0, 1)


def test_an_io_that_shows_what_it_was_sent_after_its_next_scan(serve: Serve) -> None:
    """It is read back until it does; one that never does is reported as ever."""
    shown = [0, 0, 42]

    def late(connection: socket.socket, _: int) -> None:
        for head, body in modbus_requests(connection):
            read = b"\x03\x02\x00" + bytes([shown.pop(0) if len(shown) > 1 else shown[0]])
            connection.sendall(modbus_frame(head, read if body[0] == 3 else body[:5]))

    register = Register(table=HOLDING, address=0)
    with ModbusDevice.over_tcp("io rack", serve(late).endpoint) as device:
        bank = RegisterBank({"level": register}, device)
        bank.write_many({"level": 42.0})
        with pytest.raises(StandFault, match="written as 41 and reads back as 42"):
            bank.write_many({"level": 41.0})
