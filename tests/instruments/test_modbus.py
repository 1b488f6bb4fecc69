"""One Modbus device: answers are believed only in step, in time, and when they fit the question."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import pytest

from hilseq.description.registers import Register, RegisterTable
from hilseq.errors import (
    InstrumentError,
    InstrumentTimeout,
    InvalidResponse,
    StandFault,
    UnitFault,
    UnitRefused,
    UnitSilent,
)
from hilseq.instruments import pdu
from hilseq.instruments.modbus import ModbusDevice
from hilseq.instruments.pdu import Refused, read_request, write_request

if TYPE_CHECKING:
    from tests.instruments.conftest import ForeignModbus, RawServer, Reply, SerialPair, Serve

ServeModbus = Callable[["Reply"], "RawServer"]
DEADLINE = 1.0  # long beside what a busy machine adds to an answer, short beside the time limit of a test
#: A deadline far beyond the time limit of a test, s: who waits for it fails by that.
FOREVER = 3600.0
COIL, INPUT, HOLDING, INPUT_REGISTER = RegisterTable


def register(**fields: Any) -> Register:
    return Register.model_validate({"table": "holding register", "address": 10} | fields)


def stand_device(server: RawServer | ForeignModbus, deadline: float = DEADLINE) -> ModbusDevice:
    return ModbusDevice.over_tcp("io rack", server.endpoint, deadline=deadline)


def unit_link(server: RawServer | ForeignModbus, deadline: float = DEADLINE) -> ModbusDevice:
    return ModbusDevice.over_tcp("unit SN1", server.endpoint, deadline=deadline, responsible="unit")


# -- against a foreign server


def test_all_tables_of_a_foreign_server(foreign: ForeignModbus) -> None:
    """Pymodbus's server: read and write all tables and types, verified by reading back."""
    with stand_device(foreign, 2.0) as device:
        assert device.read_block(INPUT, 0, 4) == [1, 0, 1, 0]
        assert device.read_block(INPUT_REGISTER, 298, 2) == [298, 299]
        assert device.read_block(INPUT_REGISTER, 0, 300) == list(range(300))  # three requests
        for item, value in (
            (register(table="coil", address=3), 1.0),
            (register(), 65535.0),
            (register(type="int16", scale=0.01, unit="V"), -24.0),
            (register(type="uint32", order="low first"), 70000.0),
            (register(type="int32"), -70000.0),
            (register(type="float32"), 24.5),
            (register(address=20, bit=9), 1.0),
        ):
            device.write(item, value)
            assert device.read(item) == pytest.approx(value)
        assert device.read_block(HOLDING, 20, 1) == [1 << 9]
        device.write(register(address=20, bit=0), 1.0)
        assert device.read_block(HOLDING, 20, 1) == [1 << 9 | 1]
        device.write_block(HOLDING, 100, list(range(200)), verify=True)
        device.write_block(COIL, 50, [1, 0, 1], verify=True)
        assert device.read_block(COIL, 50, 3) == [1, 0, 1]


def test_identification_and_loopback_of_a_foreign_server(foreign: ForeignModbus) -> None:
    """Function 43/14 and function 08 against pymodbus's server."""
    with unit_link(foreign, 2.0) as device:
        objects = device.identification()
        assert (objects[0], objects[1]) == ("ACME", "IO-1")
        assert device.loopback(b"\xa5\x37") == b"\xa5\x37"


def test_an_exception_of_the_stand_has_number_and_words(foreign: ForeignModbus) -> None:
    """The specification's words, what was asked, and the connection stays usable."""
    with stand_device(foreign, 2.0) as device:
        with pytest.raises(InstrumentError) as caught:
            device.read_block(HOLDING, 290, 20)
        assert (caught.value.number, caught.value.text) == (2, "illegal data address")
        assert "'read holding registers 290 to 309' with error 2: illegal data address" in str(caught.value)
        assert caught.value.places == ("io rack",)
        assert device.read_block(HOLDING, 0, 1) == [0]


def test_an_exception_of_the_unit_is_the_units_fault(foreign: ForeignModbus) -> None:
    """The same answer on the link of a unit, its code kept in the cause."""
    with unit_link(foreign, 2.0) as device:
        with pytest.raises(UnitFault, match="error 2: illegal data address") as caught:
            device.read(register(address=1000))
        assert isinstance(caught.value.__cause__, Refused)
        assert caught.value.__cause__.code == 2


@pytest.mark.parametrize(
    ("asked", "code", "key"),
    [
        (read_request(HOLDING, 0, 2), 3, "max-read"),
        (read_request(HOLDING, 0, 1), 3, ""),  # refused for its own sake
        (write_request(COIL, 0, [1]), 1, "bit-writes"),
        (write_request(HOLDING, 0, [1, 2]), 1, "writes"),
        (write_request(HOLDING, 0, [1, 2]), 3, "max-write"),
    ],
)
def test_a_refusal_names_the_key_for_such_a_device(
    serve_modbus: ServeModbus, asked: bytes, code: int, key: str
) -> None:
    """Of one that takes fewer values at once, or lacks a function."""
    server = serve_modbus(lambda request: bytes([request[0] | 0x80, code]))
    with stand_device(server) as device, pytest.raises(InstrumentError) as caught:
        device.data(asked, device.exchange(asked))
    assert str(caught.value).endswith(f"described with `{key}`" if key else "illegal data value")


@pytest.mark.parametrize(
    ("code", "of_stand", "of_unit"),
    [
        (0x0A, InstrumentError, UnitSilent),
        (0x0B, InstrumentError, UnitSilent),
        (4, InstrumentError, UnitRefused),
    ],
)
def test_gateway_codes(
    serve_modbus: ServeModbus, code: int, of_stand: type[Exception], of_unit: type[Exception]
) -> None:
    """What a gateway says of the way behind it is no answer of the unit: its link is weighed with the witnesses."""
    server = serve_modbus(lambda request: bytes([request[0] | 0x80, code]))
    for device, expected in ((stand_device(server), of_stand), (unit_link(server), of_unit)):
        with device, pytest.raises(expected) as caught:
            device.read_block(HOLDING, 0, 1)
        assert type(caught.value) is expected


# -- against servers that misbehave


def test_silence_ends_at_the_deadline(serve: Serve) -> None:
    """No retries behind the caller's back: one deadline, then it is reported."""

    def silent(connection: socket.socket, _: int) -> None:
        while connection.recv(1000):
            pass

    server = serve(silent)
    with stand_device(server) as device, pytest.raises(InstrumentTimeout):
        device.read_block(HOLDING, 7, 1)
    with (
        unit_link(server) as device,
        pytest.raises(
            UnitSilent, match=r"unit SN1 \(127.0.0.1:\d+, device 1\) did not answer 'read holding register 7'"
        ),
    ):
        device.read_block(HOLDING, 7, 1)


def test_a_dripping_answer_ends_at_the_deadline(serve: Serve) -> None:
    """A byte now and then does not keep the exchange alive."""

    def drip(connection: socket.socket, _: int) -> None:
        answer = connection.recv(1000)[:4] + b"\0\x09\x01\x03\x06\0\0\0\0\0\0"
        for byte in answer:  # each comes in time, the whole takes 3.5 s
            connection.sendall(bytes([byte]))
            time.sleep(DEADLINE * 0.8)

    with stand_device(serve(drip)) as device, pytest.raises(InstrumentTimeout):
        device.read_block(HOLDING, 0, 3)


def test_a_close_in_the_middle_raises_at_once_and_the_next_call_reconnects(serve: Serve) -> None:
    """A lost connection is reported once; it is opened again by the next call, not in silence."""

    def moody(connection: socket.socket, number: int) -> None:
        for head, _ in requests_of(connection):
            if number == 0:
                connection.sendall(head[:6])
                return
            connection.sendall(answer_to(head, b"\x03\x02\x00\x2a"))

    server = serve(moody)
    with stand_device(server, FOREVER) as device:
        with pytest.raises(InstrumentTimeout):
            device.read_block(HOLDING, 0, 1)
        assert device.read_block(HOLDING, 0, 1) == [42]
        assert len(server.connections) == 2


def test_an_idle_connection_that_was_dropped_is_opened_again(serve: Serve) -> None:
    """Servers drop idle connections; nothing was asked, so nothing is lost."""

    def once(connection: socket.socket, _: int) -> None:
        head, _ = next(requests_of(connection))
        connection.sendall(answer_to(head, b"\x03\x02\x00\x2a"))

    server = serve(once)
    with stand_device(server, 2.0) as device:
        for _ in range(3):
            assert device.read_block(HOLDING, 0, 1) == [42]
            time.sleep(0.05)
        assert len(server.connections) == 3


def test_a_refused_connection(serve: Serve) -> None:
    """A stand's instrument is lost, a unit is silent: its server is its own."""
    server = serve(lambda *_: None)
    server.refuse()
    with pytest.raises(InstrumentTimeout, match=r"[Rr]efused"):
        stand_device(server).read_block(HOLDING, 0, 1)
    with pytest.raises(UnitSilent):
        unit_link(server).open()


def test_a_name_that_cannot_be_found_is_the_stands_fault() -> None:
    """A slip in the stand file must not blame the unit."""
    device = ModbusDevice.over_tcp(
        "unit SN1", "no-such-host.invalid:502", deadline=DEADLINE, responsible="unit"
    )
    with pytest.raises(StandFault, match=r"no-such-host\.invalid"):
        device.read_block(HOLDING, 0, 1)


def test_a_late_answer_is_never_taken_for_the_next(serve: Serve) -> None:
    """The late answer of the first question arrives while the second waits; it has nowhere to go."""

    def late(connection: socket.socket, number: int) -> None:
        for head, _ in requests_of(connection):
            if number == 0:
                time.sleep(DEADLINE * 1.3)
            connection.sendall(answer_to(head, b"\x03\x02\x00" + bytes([number])))

    with stand_device(serve(late)) as device:
        with pytest.raises(InstrumentTimeout):
            device.read_block(HOLDING, 0, 1)
        time.sleep(DEADLINE)
        assert device.read_block(HOLDING, 0, 1) == [1]
        assert device.read_block(HOLDING, 0, 1) == [1]


def test_an_interrupted_exchange_leaves_nothing_behind(serve: Serve) -> None:
    """Ctrl-C between question and answer: the next question gets its own answer."""

    def count(connection: socket.socket, number: int) -> None:
        for turn, (head, _) in enumerate(requests_of(connection)):
            connection.sendall(answer_to(head, bytes([3, 2, number, turn])))

    with stand_device(serve(count)) as device:
        device.request(pdu.read_request(HOLDING, 0, 1))  # interrupted here: no response()
        assert device.read_block(HOLDING, 0, 1) == [0x0100]


WRONG = [
    ("transaction", lambda head, good: b"\xff\xff" + answer_to(head, good)[2:], "answers transaction 65535"),
    ("device", lambda head, good: answer_to(head, good)[:6] + b"\x09" + good, "answers for device 9"),
    ("protocol", lambda head, good: head[:2] + b"\0\x07" + answer_to(head, good)[4:], "identifier 7"),
    ("function", lambda head, good: answer_to(head, b"\x04" + good[1:]), "it answers function 04"),
    ("count", lambda head, _: answer_to(head, b"\x03\x04\0\1\0\2"), "2 expected"),
    ("extra", lambda head, good: answer_to(head, good) + b"\0", "1 bytes follow the answer"),
    ("text", lambda *_: b"HTTP/1.0 400 Bad Request\r\n", "protocol identifier|transaction"),
]  # fmt: skip


@pytest.mark.parametrize(("make", "message"), [case[1:] for case in WRONG], ids=[case[0] for case in WRONG])
def test_an_answer_that_does_not_fit_is_garbage_at_once(
    serve: Serve, make: Callable[[bytes, bytes], bytes], message: str
) -> None:
    """Reported at once, not at the deadline, as nonsense of the stand's instrument or a fault of the unit."""

    def wrong(connection: socket.socket, _: int) -> None:
        for head, _ in requests_of(connection):
            connection.sendall(make(head, b"\x03\x02\x00\x2a"))

    server = serve(wrong)
    with stand_device(server, FOREVER) as device, pytest.raises(InvalidResponse, match=message):
        device.read_block(HOLDING, 0, 1)
    with unit_link(server, FOREVER) as device, pytest.raises(UnitFault, match=message) as caught:
        device.read_block(HOLDING, 0, 1)
    assert not isinstance(caught.value, UnitSilent)


def test_what_comes_unasked_is_no_answer(serve: Serve) -> None:
    """An answer to nothing is found before the next question, which is not asked on that connection."""

    def twice(connection: socket.socket, number: int) -> None:
        for head, _ in requests_of(connection):
            connection.sendall(answer_to(head, b"\x03\x02\x00\x2a"))
            if number == 0:
                time.sleep(0.05)
                connection.sendall(answer_to(b"\x30\x39" + head[2:], b"\x03\x02\x00\x2b"))

    with stand_device(serve(twice), 2.0) as device:
        assert device.read_block(HOLDING, 0, 1) == [42]
        time.sleep(0.15)
        with pytest.raises(InvalidResponse, match="unasked"):
            device.read_block(HOLDING, 0, 1)
        assert device.read_block(HOLDING, 0, 1) == [42]


def test_a_value_that_does_not_read_back(serve_modbus: ServeModbus) -> None:
    """A device that confirms a write and does not keep it is found out, and blamed on its owner."""

    def forgetful(request: bytes) -> bytes:
        return request[:5] if request[0] == 6 else b"\x03\x02\x00\x07"

    server = serve_modbus(forgetful)
    with stand_device(server) as device:
        with pytest.raises(StandFault, match="holding register 10 was written as 8 and reads back as 7 V"):
            device.write(register(unit="V"), 8.0)
        device.write(register(), 8.0, verify=False)
        with pytest.raises(StandFault, match="holding register 3 was written as 8 and reads back as 7"):
            device.write_block(HOLDING, 3, [8], verify=True)
    with unit_link(server) as device, pytest.raises(UnitFault, match="reads back as 7"):
        device.write(register(), 8.0)


def test_what_does_not_fit_is_refused_before_anything_is_sent(serve: Serve) -> None:
    """An impossible value is the stand file's or the sequence's slip, even on the link of a unit."""
    server = serve(lambda *_: None)
    for item, value, message in (
        (register(), 70000.0, "70000 does not fit"),
        (register(table="input register"), 1.0, "input register cannot be written"),
    ):
        with pytest.raises(StandFault, match=message):
            unit_link(server).write(item, value)
    with pytest.raises(StandFault, match="expected an even number"):
        unit_link(server).loopback(b"odd")
    assert server.connections == []


def test_a_float_that_is_no_number(serve_modbus: ServeModbus) -> None:
    """A register that holds NaN holds no reading."""
    with (
        stand_device(serve_modbus(lambda _: b"\x03\x04\x7f\xc0\x00\x00")) as device,
        pytest.raises(InvalidResponse, match="nan in holding register 10"),
    ):
        device.read(register(type="float32"))


def test_identification_in_several_answers(serve_modbus: ServeModbus) -> None:
    """`more follows` is followed from the object it names; one that never ends is given up."""

    def pieces(request: bytes) -> bytes:
        first = request[3]
        more, following = (0xFF, first + 1) if first < 2 else (0, 0)
        text = bytes([first, 3]) + b"\xb5" + str(first).encode() + b"\0"
        return bytes([0x2B, 0x0E, 1, 1, more, following, 1]) + text

    with stand_device(serve_modbus(pieces)) as device:
        assert device.identification() == {0: "\\xb50", 1: "\\xb51", 2: "\\xb52"}
    endless = serve_modbus(lambda _: b"\x2b\x0e\x01\x01\xff\x00\x00")
    with stand_device(endless) as device, pytest.raises(InvalidResponse, match="without end"):
        device.identification()


def test_the_caller_judges_what_is_looped_back(serve_modbus: ServeModbus) -> None:
    """A bit error comes back as it is: the link works, the data do not."""
    with unit_link(serve_modbus(lambda request: request[:-1] + b"\x00")) as device:
        assert device.loopback(b"\xa5\x37") == b"\xa5\x00"


def test_several_threads_share_a_device(foreign: ForeignModbus) -> None:
    """One outstanding request per connection, whoever asks."""
    wrong: list[int] = []
    with stand_device(foreign, 5.0) as device:

        def ask(address: int) -> None:
            for _ in range(50):
                wrong.extend(
                    value for value in device.read_block(INPUT_REGISTER, address, 1) if value != address
                )

        threads = [threading.Thread(target=ask, args=(address,)) for address in (5, 6, 7)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(20)
    assert wrong == []


# -- on a serial line


def rtu_device(pair: SerialPair, deadline: float = DEADLINE, **more: Any) -> ModbusDevice:
    return ModbusDevice.over_serial(
        "port 1", pair.path, frame="8N1", deadline=deadline, responsible="unit", **more
    )


def rtu_reply(request: bytes) -> bytes:
    """Answer as a small Modbus RTU device: registers hold their address, loop-back echoes."""
    body = request[1:-2]
    if body[0] == 8:
        return request
    if body[0] in (5, 6, 15, 16):
        return pdu.rtu_frame(request[0], body[:5])
    address, count = int.from_bytes(body[1:3], "big"), int.from_bytes(body[3:5], "big")
    data = b"".join((address + n).to_bytes(2, "big") for n in range(count))
    return pdu.rtu_frame(request[0], bytes([body[0], len(data)]) + data)


def test_rtu_on_a_serial_port(serial_pair: SerialPair) -> None:
    """Read, write and loop back over a real serial pair."""
    serial_pair.answer(rtu_reply)
    with rtu_device(serial_pair, device=5) as device:
        assert device.read_block(HOLDING, 100, 125) == list(range(100, 225))
        device.write(register(), 3.0, verify=False)
        assert device.loopback(b"\xa5\x37") == b"\xa5\x37"
        assert device.loopback(bytes(range(100))) == bytes(range(100))


def test_rtu_silence_and_late_answers(serial_pair: SerialPair) -> None:
    """A serial line has no connection to close: the late answer is waited for and thrown away."""
    slow = [True]

    def reply(request: bytes) -> bytes:
        if slow.pop() if slow else False:
            time.sleep(DEADLINE * 1.4)
        return rtu_reply(request)

    serial_pair.answer(reply)
    with rtu_device(serial_pair) as device:
        with pytest.raises(UnitSilent, match=r"device 1\) did not answer 'read holding register 7' within"):
            device.read_block(HOLDING, 7, 1)
        assert device.read_block(HOLDING, 8, 1) == [8]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda frame: frame[:-1] + bytes([frame[-1] ^ 1]), "its CRC is"),
        (lambda frame: b"\x09" + frame[1:], "answers for device 9"),
        (lambda frame: b"\xff" + frame, "answers for device 255"),
        (lambda frame: frame + b"\x00", "1 bytes follow"),
    ],
    ids=["crc", "device", "noise before", "noise behind"],
)
def test_rtu_nonsense_is_the_units_fault(
    serial_pair: SerialPair, change: Callable[[bytes], bytes], message: str
) -> None:
    """A spoiled frame is reported for what it is, and the line is clean for the next question."""
    spoil = [True]
    serial_pair.answer(lambda request: change(rtu_reply(request)) if spoil.pop() else rtu_reply(request))
    with rtu_device(serial_pair) as device:
        with pytest.raises(UnitFault, match=message):
            device.read_block(HOLDING, 7, 1)
        spoil.append(False)
        assert device.read_block(HOLDING, 8, 1) == [8]


def test_an_unplugged_adapter_is_the_stands_fault(serial_pair: SerialPair) -> None:
    """The adapter belongs to the stand: its loss says nothing about the unit."""
    serial_pair.answer(rtu_reply)
    with rtu_device(serial_pair) as device:
        assert device.read_block(HOLDING, 7, 1) == [7]
        serial_pair.unplug()
        with pytest.raises(StandFault, match="port 1"):
            device.read_block(HOLDING, 7, 1)


def test_two_users_of_one_line_are_distinguished(serial_pair: SerialPair) -> None:
    """A port that somebody else holds is refused: two users would get each other's answers."""
    with rtu_device(serial_pair), pytest.raises(StandFault, match=r"lock|use"):
        rtu_device(serial_pair).open()


def test_rtu_through_a_serial_device_server(serve: Serve) -> None:
    """RTU frames over raw TCP; a server that is gone is the stand's, silence behind it the unit's."""
    talk = [True]

    def server(connection: socket.socket, _: int) -> None:
        while data := connection.recv(1000):
            if talk[0]:
                connection.sendall(rtu_reply(data))

    raw = serve(server)
    device = ModbusDevice.over_serial("port 1", raw.endpoint, deadline=DEADLINE, responsible="unit")
    with device:
        assert device.read_block(HOLDING, 7, 2) == [7, 8]
        talk[0] = False
        with pytest.raises(UnitSilent):
            device.read_block(HOLDING, 7, 2)
    raw.refuse()
    with pytest.raises(InstrumentTimeout, match=r"[Rr]efused"):
        device.read_block(HOLDING, 7, 2)


def test_rtu_through_a_serial_device_server_that_drops_idle_connections(serve: Serve) -> None:
    """Closed while nobody was asking: no answer is lost, and nobody is at fault."""

    def once(connection: socket.socket, _: int) -> None:
        if frame := connection.recv(1000):
            connection.sendall(pdu.rtu_frame(frame[0], b"\x03\x02\x00\x2a"))

    server = serve(once)
    with ModbusDevice.over_serial("io rack", server.endpoint, deadline=5.0) as device:
        for turn in range(3):
            assert device.read_block(HOLDING, 0, 1) == [42]
            while server.connections[turn].fileno() >= 0:
                time.sleep(0.001)
    assert len(server.connections) == 3


def test_rtu_through_visa(serial_pair: SerialPair) -> None:
    """The same line by its VISA name."""
    serial_pair.answer(rtu_reply)
    device = ModbusDevice.over_serial(
        "port 1", f"ASRL{serial_pair.path}::INSTR", frame="8N1", deadline=DEADLINE, responsible="unit"
    )
    with device:
        assert device.read_block(HOLDING, 7, 125) == list(range(7, 132))


def requests_of(connection: socket.socket) -> Any:
    """Yield header and PDU of each request."""
    with connection.makefile("rb") as stream:
        while head := stream.read(7):
            yield head, stream.read(int.from_bytes(head[4:6], "big") - 1)


def answer_to(head: bytes, body: bytes) -> bytes:
    """Return the frame that answers a request with that header."""
    return head[:4] + (len(body) + 1).to_bytes(2, "big") + head[6:7] + body
