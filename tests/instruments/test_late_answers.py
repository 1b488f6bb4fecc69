"""Answers that come twice (a network, a gateway): passed over, and never taken for that to another question."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilseq.description.registers import Register, RegisterTable
from hilseq.errors import InvalidResponse, UnitFault, UnitSilent
from hilseq.instruments import pdu
from hilseq.instruments.modbus import ModbusDevice
from hilseq.instruments.pdu import NEED_MORE
from hilseq.instruments.register_bank import RegisterBank
from hilseq.instruments.signals import Snapshot
from hilseq.instruments.translate import DecodeError
from tests.instruments.conftest import modbus_frame, modbus_requests

if TYPE_CHECKING:
    import socket

    from tests.instruments.conftest import RawServer, Serve

#: A deadline far beyond the time limit of a test, s: who waits for it fails by that.
FOREVER = 3600.0
HOLDING = RegisterTable.HOLDING_REGISTER
QUESTION = pdu.read_request(HOLDING, 0, 1)
#: Makes what a server sends from the answers up to now, the newest last.
Sends = Callable[[list[bytes]], list[bytes]]


def counting(sends: Sends, pause: float = 0.0) -> Callable[[socket.socket, int], None]:
    """Return a server whose n-th answer on a connection holds n, and which sends what `sends` makes of them."""

    def serve(connection: socket.socket, _: int) -> None:
        answers: list[bytes] = []
        for turn, (head, _body) in enumerate(modbus_requests(connection)):
            answers.append(modbus_frame(head, b"\x03\x02" + turn.to_bytes(2, "big")))
            for piece in sends(answers):
                connection.sendall(piece)
                time.sleep(pause)

    return serve


def unit(server: RawServer, deadline: float = 5.0) -> ModbusDevice:
    return ModbusDevice.over_tcp("unit SN1", server.endpoint, responsible="unit", deadline=deadline)


def numbers(device: ModbusDevice, count: int, pause: float = 0.0) -> Iterator[int]:
    for _ in range(count):
        yield device.read_block(HOLDING, 0, 1)[0]
        time.sleep(pause)


@pytest.mark.parametrize(
    ("sends", "pause", "wait"),
    [
        (lambda answers: [*answers[-2:-1], answers[-1]], 0.0, 0.0),
        (lambda answers: [b"".join([*answers[-4:-1], answers[-1]])], 0.0, 0.0),
        (lambda answers: [answers[-1] + answers[-1]], 0.0, 0.0),
        (lambda answers: [answers[-1], answers[-1]], 0.01, 0.05),
        (lambda answers: [answers[-1], answers[-1][:8], answers[-1][8:]], 0.03, 0.045),
    ],
    ids=["before the answer", "several at once", "behind it", "between questions", "in pieces"],
)
def test_an_answer_that_comes_twice_is_passed_over(
    serve: Serve, sends: Sends, pause: float, wait: float
) -> None:
    """Wherever the duplicate lies, each question gets its own answer, over one connection."""
    server = serve(counting(sends, pause))
    with unit(server) as device:
        assert list(numbers(device, 6, wait)) == list(range(6))
    assert len(server.connections) == 1


def test_numbers_begin_anew_in_the_middle_of_late_answers(serve: Serve) -> None:
    """Behind 65535 comes 1, and its late predecessor is still known."""
    server = serve(counting(lambda answers: [*answers[-3:-1], answers[-1]]))
    with unit(server) as device:
        device._transaction = 0xFFFC
        assert list(numbers(device, 8)) == list(range(8))
    assert len(server.connections) == 1


def test_several_instruments_asked_at_once_keep_their_numbers(serve: Serve) -> None:
    """Each connection counts for itself, whatever the other one sends twice."""
    doubled = serve(counting(lambda answers: [*answers[-2:-1], answers[-1]]))
    plain = serve(counting(lambda answers: [answers[-1]]))
    far = {"a": 0, "b": 50, "c": 100}
    with unit(doubled) as one, unit(plain) as other:
        banks = [
            RegisterBank(
                {
                    f"{device}{name}": Register.model_validate(
                        {"table": "holding register", "address": address}
                    )
                    for name, address in far.items()
                },
                device_,
            )
            for device, device_ in (("one ", one), ("other ", other))
        ]
        readers = [bank.reader(tuple(bank.registers)) for bank in banks]
        values = Snapshot(readers, [name for bank in banks for name in bank.registers]).take()
    assert list(values.values()) == [0, 1, 2, 0, 1, 2]


def test_an_answer_to_a_question_never_asked_is_reported_at_once(serve: Serve) -> None:
    """Not earlier on this connection: a number ahead, 0, or one from before the connection."""
    for wrong in (b"\x00\x63", b"\x00\x00", b"\xff\xfe"):
        server = serve(counting(lambda answers, wrong=wrong: [wrong + answers[-1][2:]]))  # type: ignore[misc]
        with (
            ModbusDevice.over_tcp("io rack", server.endpoint, deadline=FOREVER) as device,
            pytest.raises(InvalidResponse, match="it answers transaction"),
        ):
            device.read_block(HOLDING, 0, 1)


def test_who_answers_the_question_before_only_is_garbage_at_the_deadline(serve: Serve) -> None:
    """A unit one question behind never gives the answer: it is not silent, it answers the wrong question."""
    server = serve(counting(lambda answers: [answers[-2] if len(answers) > 1 else answers[-1]]))
    with unit(server, 0.4) as device:
        device.read_block(HOLDING, 0, 1)
        with pytest.raises(UnitFault, match="it answers transaction 1 only, asked was 2") as caught:
            device.read_block(HOLDING, 0, 1)
        assert not isinstance(caught.value, UnitSilent)
        assert device.read_block(HOLDING, 0, 1) == [0]


def frame(transaction: int, word: int = 0) -> bytes:
    return transaction.to_bytes(2, "big") + b"\0\0\0\x05\x03\x03\x02" + word.to_bytes(2, "big")


@given(
    st.integers(1, 0xFFFF),
    st.lists(st.integers(1, 256), max_size=5),
    st.lists(st.integers(0, 255), max_size=3),
)
def test_late_answers_around_the_answer_are_cut_off_whatever_the_pieces(
    transaction: int, before: list[int], behind: list[int]
) -> None:
    """From any number on, with any late ones before and behind: complete only with the answer, and then it alone."""

    def back(steps: int) -> int:
        return (transaction - 1 - steps) % 0xFFFF + 1

    late = b"".join(frame(back(steps)) for steps in before)
    whole = late + frame(transaction, 42)
    for end in range(len(whole)):
        assert pdu.tcp_cut(whole[:end], transaction, 3, 256) is NEED_MORE
    tail = b"".join(frame(back(steps)) for steps in behind)
    assert pdu.tcp_cut(whole + tail, transaction, 3, 256) == b"\x03\x02\x00\x2a"


@given(st.integers(1, 0xFFFF), st.integers(0, 0xFFFF), st.integers(0, 10**6))
def test_only_the_numbers_asked_lately_on_this_connection_are_late(
    transaction: int, seen: int, asked: int
) -> None:
    """What was asked is found by walking back through the numbers; everything else is an error at once."""
    number, known = transaction, set()
    for _ in range(min(asked, 256)):
        number = number - 1 or 0xFFFF
        known.add(number)
    if seen == transaction:
        assert pdu.tcp_cut(frame(seen), transaction, 3, asked) == b"\x03\x02\x00\x00"
    elif seen in known:
        assert pdu.tcp_cut(frame(seen), transaction, 3, asked) is NEED_MORE
    else:
        with pytest.raises(DecodeError, match=f"it answers transaction {seen}, asked was {transaction}"):
            pdu.tcp_cut(frame(seen), transaction, 3, asked)
