"""What a link does wrong now and then: asked again, counted, and never a command twice."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest

from hilseq.description.registers import Register, RegisterTable
from hilseq.errors import UnitFault, UnitInvalidResponse, UnitRefused, UnitSilent
from hilseq.instruments.modbus import ModbusDevice
from hilseq.instruments.register_bank import RegisterBank
from tests.instruments.conftest import modbus_frame, modbus_requests

if TYPE_CHECKING:
    import socket

    from tests.instruments.conftest import RawServer, Serve

HOLDING = RegisterTable.HOLDING_REGISTER
DEADLINE = 0.1


def lost(_: bytes, __: bytes) -> bytes:
    return b""


def misnumbered(head: bytes, pdu: bytes) -> bytes:
    return modbus_frame(b"\x7f\x7f" + head[2:], pdu)


def refused(head: bytes, pdu: bytes) -> bytes:
    return modbus_frame(head, bytes((pdu[0] | 0x80, 4)))


TROUBLES = {"lost": lost, "wrong": misnumbered, "refused": refused}


@pytest.fixture
def unit(serve: Serve) -> Callable[..., tuple[ModbusDevice, list[int]]]:
    """Return a link, and the functions of all requests that came: those whose number `fails` says fail."""

    def start(kind: str, fails: Callable[[int], bool]) -> tuple[ModbusDevice, list[int]]:
        asked: list[int] = []

        def handler(connection: socket.socket, _: int) -> None:
            for head, body in modbus_requests(connection):
                asked.append(body[0])
                pdu = b"\x03\x02\x00\x07" if body[0] == 3 else body[:5]
                answer = TROUBLES[kind] if fails(len(asked)) else modbus_frame
                connection.sendall(answer(head, pdu))

        server: RawServer = serve(handler)
        device = ModbusDevice.over_tcp(
            "unit SN1", server.endpoint, responsible="unit", deadline=DEADLINE, repeats=2
        )
        return device, asked

    return start


@pytest.mark.parametrize("kind", TROUBLES)
def test_a_read_is_repeated_and_what_went_wrong_is_counted(
    unit: Callable[..., tuple[ModbusDevice, list[int]]], kind: str
) -> None:
    """Every third exchange goes wrong: all twenty reads come right, and the counts are exact."""
    device, asked = unit(kind, lambda number: number % 3 == 0)
    with device:
        assert [device.read_block(HOLDING, 0, 1) for _ in range(20)] == [[7]] * 20
        device.write_block(HOLDING, 0, [7], again=True)
    assert device.tally.sent == len(asked)
    assert getattr(device.tally, kind) == device.tally.failed == len(asked) // 3
    assert device.failures == 0


def test_a_moment_in_which_a_link_was_away_is_one(
    unit: Callable[..., tuple[ModbusDevice, list[int]]],
) -> None:
    """One request that is lost twice, and then answered, is no link that loses answers now and then."""
    device, asked = unit("lost", lambda number: number in (2, 3))
    with device:
        assert [device.read_block(HOLDING, 0, 1) for _ in range(3)] == [[7]] * 3
    assert (len(asked), device.tally.lost) == (5, 1)
    assert not device.tally.is_unreliable


@pytest.mark.parametrize(
    ("kind", "error"), [("lost", UnitSilent), ("wrong", UnitInvalidResponse), ("refused", UnitRefused)]
)
def test_what_never_comes_right_is_no_rate(
    unit: Callable[..., tuple[ModbusDevice, list[int]]], kind: str, error: type[UnitFault]
) -> None:
    """A link that stays away, or a register that is always refused: raised as ever, and counted as none of these."""
    device, asked = unit(kind, lambda number: number > 1)
    with device:
        device.read_block(HOLDING, 0, 1)
        with pytest.raises(error) as raised:
            device.read_block(HOLDING, 0, 1)
        assert len(asked) == 4
        assert device.tally.failed == 0
        assert raised.value.places == ()
        if kind != "refused":
            with pytest.raises(error):
                device.read_block(HOLDING, 0, 1)
            assert len(asked) == 5  # one that is away is asked once


@pytest.mark.parametrize("kind", TROUBLES)
def test_a_command_is_sent_once_and_its_loss_is_the_links(
    unit: Callable[..., tuple[ModbusDevice, list[int]]], kind: str
) -> None:
    """After some trouble, a command that comes to nothing is at `link`, and the check is to be made again."""
    device, asked = unit(kind, lambda number: number in (3, 5, 7))
    with device:
        for _ in range(4):
            device.read_block(HOLDING, 0, 1)
        with pytest.raises(UnitFault) as raised:
            device.write_block(HOLDING, 0, [1])
    assert asked.count(6) == 1
    assert raised.value.places == ("link",)
    assert device.failures == 1


def test_a_unit_that_starts_is_asked_once(unit: Callable[..., tuple[ModbusDevice, list[int]]]) -> None:
    """After `reconnect` silence is to be expected until the first answer."""
    device, asked = unit("lost", lambda number: number == 2)
    with device:
        device.read_block(HOLDING, 0, 1)
        device.reconnect()
        with pytest.raises(UnitSilent):
            device.read_block(HOLDING, 0, 1)
    assert len(asked) == 2


def _bank_of_two(
    serve: Serve, loses: Callable[[int], bool], dead: int = -1, misreads: int = 0
) -> tuple[ModbusDevice, RegisterBank]:
    """Return two registers of a unit: it confirms all writes, and does not carry out those whose number it `loses`.

    The answer to the read of the number `misreads` has a bit wrong.
    """
    held, writes, reads = [0, 0], [0], [0]

    def handler(connection: socket.socket, _: int) -> None:
        for head, body in modbus_requests(connection):
            if body[0] == 3:
                reads[0] += 1
                pdu = bytes((3, 4)) + b"".join(word.to_bytes(2, "big") for word in held)
                pdu = pdu[:-1] + bytes((pdu[-1] ^ (reads[0] == misreads),))
            else:
                writes[0] += 1
                words = [int.from_bytes(body[6 + 2 * n : 8 + 2 * n], "big") for n in range(2)]
                if not loses(writes[0]):
                    held[:] = [
                        old if n == dead else new
                        for n, (old, new) in enumerate(zip(held, words, strict=True))
                    ]
                pdu = body[:5]
            connection.sendall(modbus_frame(head, pdu))

    device = ModbusDevice.over_tcp("unit SN1", serve(handler).endpoint, responsible="unit", deadline=1.0)
    named = {name: Register(table=HOLDING, address=number) for number, name in enumerate("ab")}
    return device, RegisterBank(named, device)


def test_a_write_that_was_confirmed_and_lost_is_made_again_and_counted(serve: Serve) -> None:
    """The third write is lost as a whole: the link is at fault, and none of the points that it was of."""
    device, bank = _bank_of_two(serve, lambda number: number == 3)
    with device:
        for number in (1.0, 2.0, 3.0, 4.0):
            bank.write_many({"a": number, "b": number + 1.0})
    assert (device.tally.wrong, device.tally.failed) == (1, 1)


def test_a_point_that_takes_nothing_is_no_lost_write(serve: Serve) -> None:
    """The other one of the same request has followed: the point is at fault, at its place."""
    device, bank = _bank_of_two(serve, lambda _: False, dead=1)
    with device, pytest.raises(UnitFault, match="b was written as 5 and reads back as 0") as caught:
        bank.write_many({"a": 4.0, "b": 5.0})
    assert caught.value.places == ("b",)
    assert device.tally.failed == 0


def test_a_read_back_that_is_right_when_it_is_asked_again_is_counted(serve: Serve) -> None:
    """One answer has a bit wrong: what was written stands, and the link had it wrong."""
    device, bank = _bank_of_two(serve, lambda _: False, misreads=2)
    with device:
        for number in (1.0, 2.0, 3.0):
            bank.write_many({"a": number, "b": number + 1.0})
    assert (device.tally.wrong, device.tally.failed) == (1, 1)
