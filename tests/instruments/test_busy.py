"""A device that is busy (exception 06) is asked again; one that is still at it (05) is given its time."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import pytest

from hilseq.description.registers import Register, RegisterTable
from hilseq.errors import InstrumentError, StandFault, UnitFault, UnitSilent
from hilseq.instruments.modbus import ModbusDevice
from hilseq.instruments.register_bank import RegisterBank
from hilseq.procedures.polling import poll
from tests.instruments.conftest import modbus_frame, modbus_requests

if TYPE_CHECKING:
    import socket

    from tests.instruments.conftest import RawServer, Reply, SerialPair, Serve, SteppedClock

ServeModbus = Callable[["Reply"], "RawServer"]
DEADLINE = 1.5  # long beside what a busy machine adds to an answer
HOLDING = RegisterTable.HOLDING_REGISTER


def register(**fields: Any) -> Register:
    return Register.model_validate({"table": "holding register", "address": 10} | fields)


class Busy:
    """A device of one register that answers `code` the first `times` times, to every request alike.

    With `late` it carries out what it acknowledged that many seconds later.
    """

    def __init__(self, times: int, code: int = 6, late: float = 0.0) -> None:
        self.times, self.code, self.late = times, code, late
        self.asked = 0
        self.word, self.coming, self.due = 7, 7, 0.0

    def __call__(self, request: bytes) -> bytes:
        self.asked += 1
        if time.monotonic() >= self.due:
            self.word = self.coming
        writes = request[0] == 6
        if self.times > 0 and (self.code == 6 or writes):
            self.times -= 1
            if self.code == 5:
                self.coming, self.due = int.from_bytes(request[3:5], "big"), time.monotonic() + self.late
            return bytes([request[0] | 0x80, self.code])
        if writes:
            self.word = self.coming = int.from_bytes(request[3:5], "big")
            return request[:5]
        return b"\x03\x02" + self.word.to_bytes(2, "big")


def rack(server: RawServer, deadline: float = 5.0) -> ModbusDevice:
    return ModbusDevice.over_tcp("io rack", server.endpoint, deadline=deadline)


def unit(server: RawServer, deadline: float = 5.0) -> ModbusDevice:
    return ModbusDevice.over_tcp("unit SN1", server.endpoint, responsible="unit", deadline=deadline)


@pytest.mark.parametrize("times", [1, 4])
def test_a_busy_device_is_asked_again(serve_modbus: ServeModbus, times: int) -> None:
    """Reads, writes of values and commands: what was refused as busy was not carried out, and is sent again."""
    for talk in (
        lambda device: device.read(register()),
        lambda device: device.write(register(), 8.0),
        lambda device: device.write(register(), 8.0, verify=False),
        lambda device: RegisterBank({"a": register()}, device).snapshot(),
    ):
        peer = Busy(times)
        with unit(serve_modbus(peer)) as device:
            talk(device)
        assert peer.times == 0


def test_a_device_that_stays_busy_is_reported_with_how_often_it_was_asked(serve_modbus: ServeModbus) -> None:
    """Within one deadline, and as the error it was before: the unit's fault, or the stand's instrument's."""
    server = serve_modbus(Busy(10**6))
    said = rf"error 6: server device busy \(asked \d+ times within {DEADLINE:g} s\)"
    with unit(server, DEADLINE) as device, pytest.raises(UnitFault, match=said) as caught:
        device.read(register())
    assert not isinstance(caught.value, UnitSilent)
    with rack(server, DEADLINE) as device, pytest.raises(InstrumentError, match=said) as reported:
        device.read(register())
    assert (reported.value.number, reported.value.text) == (6, "server device busy")


def test_a_device_that_falls_silent_after_it_was_busy_is_silent(serve: Serve) -> None:
    """At the deadline it is reported for what it is by then: its last word, that it is busy, is an old one."""

    def once(connection: socket.socket, _: int) -> None:
        for turn, (head, body) in enumerate(modbus_requests(connection)):
            if turn == 0:
                connection.sendall(modbus_frame(head, bytes([body[0] | 0x80, 6])))

    with unit(serve(once), 1.0) as device, pytest.raises(UnitSilent, match="did not answer"):
        device.read(register())


def test_busy_on_a_serial_line(serial_pair: SerialPair) -> None:
    """The same over Modbus RTU, where the repeated frame keeps its silent interval."""
    from hilseq.instruments import pdu

    peer = Busy(2)
    serial_pair.answer(lambda frame: pdu.rtu_frame(frame[0], peer(frame[1:-2])))
    with ModbusDevice.over_serial("port 1", serial_pair.path, frame="8N1", deadline=5.0) as device:
        assert device.read(register()) == 7.0
    assert peer.asked == 3


def test_a_write_that_was_acknowledged_is_carried_out_later(serve_modbus: ServeModbus) -> None:
    """Exception 05 on a write: accepted, sent once only, and read back until it is there."""
    for write in (
        lambda device: device.write(register(), 8.0),
        lambda device: device.write_block(HOLDING, 10, [8], verify=True),
        lambda device: RegisterBank({"a": register()}, device).write("a", 8.0),
    ):
        peer = Busy(1, code=5, late=0.15)
        with rack(serve_modbus(peer)) as device:
            write(device)
            assert device.read(register()) == 8.0


def test_an_acknowledged_write_that_is_never_carried_out_is_found(serve_modbus: ServeModbus) -> None:
    """After a deadline what reads back otherwise is reported, as without the acknowledgement."""
    with (
        rack(serve_modbus(Busy(1, code=5, late=1e6)), DEADLINE) as device,
        pytest.raises(StandFault, match="was written as 8 and reads back as 7"),
    ):
        device.write(register(), 8.0)


def test_an_acknowledged_command_is_taken_as_given(serve_modbus: ServeModbus) -> None:
    """`store` is slow by nature: its effect is looked at, not its answer."""
    with unit(serve_modbus(Busy(1, code=5))) as device:
        device.write(register(), 8.0, verify=False)


def test_an_acknowledged_read_is_an_error(serve_modbus: ServeModbus) -> None:
    """A question cannot be processed later: without data there is no reading."""
    with (
        unit(serve_modbus(lambda request: bytes([request[0] | 0x80, 5]))) as device,
        pytest.raises(UnitFault, match="error 5: acknowledge"),
    ):
        device.read(register())


def test_a_start_is_timed_by_the_answer_of_a_busy_unit(clock: SteppedClock) -> None:
    """A unit that was asked for 0.8 s while busy was ready at the end of that, not at its beginning."""

    def ready() -> bool:
        clock.sleep(0.8)
        return True

    answers = iter([UnitFault("busy"), None])

    def ready_at_last() -> bool:
        clock.sleep(0.8)
        if (answer := next(answers)) is not None:
            raise answer
        return True

    took = poll(clock, ready_at_last, within=2.0, since=0.0, link_deadline=1.0)
    assert took is not None
    assert took.value == pytest.approx((0.8 + 1.62) / 2)
    clock.time = 0.0
    took = poll(clock, ready, within=2.0, since=0.0, link_deadline=1.0)
    assert took is not None
    assert took.value == pytest.approx(0.4)
    assert took.standard_uncertainty == pytest.approx(0.8 / 12**0.5)
