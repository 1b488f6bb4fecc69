"""What a link does wrong now and then: asked again, counted, and never a command twice."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest

from hilseq.description.registers import RegisterTable
from hilseq.errors import UnitFault, UnitInvalidResponse, UnitRefused, UnitSilent
from hilseq.instruments.modbus import ModbusDevice
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
