"""Modbus PDUs against the worked examples of the MODBUS Application Protocol Specification V1.1b3 ("A").

Numbers like (2.3) name the line of the check values; pages are pages of A.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hilseq_sim.servers.modbus_pdu import LONGEST_PDU, respond
from hypothesis import given, settings
from hypothesis import strategies as st

from hilseq.description.registers import RegisterTable

if TYPE_CHECKING:
    from tests.simulated.servers.conftest import SmallDevice


def hexed(text: str) -> bytes:
    return bytes.fromhex(text)


def bits(first: int, packed: str) -> dict[int, int]:
    """Bits of A's response bytes, the lowest first."""
    number = int.from_bytes(hexed(packed), "little")
    return {first + place: number >> place & 1 for place in range(8 * len(hexed(packed)))}


@pytest.fixture
def device(small_device: SmallDevice) -> SmallDevice:
    tables = small_device.tables
    tables[RegisterTable.COIL].update(bits(19, "CD6B05"))
    tables[RegisterTable.DISCRETE_INPUT].update(bits(196, "ACDB35"))
    tables[RegisterTable.HOLDING_REGISTER].update({107: 555, 108: 0, 109: 100})
    tables[RegisterTable.INPUT_REGISTER].update({8: 10})
    return small_device


@pytest.mark.parametrize(
    ("request_", "response"),
    [
        pytest.param("01 00 13 00 13", "01 03 CD 6B 05", id="2.1 read coils, p. 12"),
        pytest.param("02 00 C4 00 16", "02 03 AC DB 35", id="2.2 read discrete inputs, p. 13"),
        pytest.param("03 00 6B 00 03", "03 06 02 2B 00 00 00 64", id="2.3 read holding registers, p. 15"),
        pytest.param("04 00 08 00 01", "04 02 00 0A", id="2.4 read input registers, p. 16"),
        pytest.param("05 00 AC FF 00", "05 00 AC FF 00", id="2.5 write single coil, p. 18"),
        pytest.param("06 00 01 00 03", "06 00 01 00 03", id="2.6 write single register, p. 19"),
        pytest.param("08 00 00 A5 37", "08 00 00 A5 37", id="2.8 loopback, p. 24"),
        pytest.param("0F 00 13 00 0A 02 CD 01", "0F 00 13 00 0A", id="2.10 write coils, p. 29"),
        pytest.param("10 00 01 00 02 04 00 0A 01 02", "10 00 01 00 02", id="2.11 write registers, p. 30"),
        pytest.param("16 00 04 00 F2 00 25", "16 00 04 00 F2 00 25", id="2.14 mask write, p. 36"),
    ],
)
def test_worked_examples(device: SmallDevice, request_: str, response: str) -> None:
    assert respond(device, hexed(request_)) == hexed(response)


def test_what_the_worked_writes_wrote(device: SmallDevice) -> None:
    """(2.5, 2.10, 2.11, 2.14) pp. 18, 29, 30, 36: 0x12 masked with F2 and 25 becomes 0x17."""
    holding, coils = device.tables[RegisterTable.HOLDING_REGISTER], device.tables[RegisterTable.COIL]
    holding[4] = 0x12
    for request in (
        "05 00 AC FF 00",
        "0F 00 13 00 0A 02 CD 01",
        "10 00 01 00 02 04 00 0A 01 02",
        "16 00 04 00 F2 00 25",
    ):
        respond(device, hexed(request))
    assert coils[172] == 1
    assert [coils[19 + place] for place in range(10)] == [1, 0, 1, 1, 0, 0, 1, 1, 1, 0]
    assert (holding[1], holding[2], holding[4]) == (10, 0x0102, 0x17)


def test_read_and_write_at_once(device: SmallDevice) -> None:
    """(2.15) p. 38; the write comes before the read."""
    device.tables[RegisterTable.HOLDING_REGISTER].update(
        zip(range(3, 9), (0xFE, 0xACD, 1, 3, 13, 0xFF), strict=True)
    )
    request = hexed("17 00 03 00 06 00 0E 00 03 06 00 FF 00 FF 00 FF")
    assert respond(device, request) == hexed("17 0C 00 FE 0A CD 00 01 00 03 00 0D 00 FF")
    assert [device.tables[RegisterTable.HOLDING_REGISTER][place] for place in (14, 15, 16)] == [255, 255, 255]
    overlapping = hexed("17 00 0E 00 01 00 0E 00 01 02 12 34")
    assert respond(device, overlapping) == hexed("17 02 12 34")


def test_device_identification(device: SmallDevice) -> None:
    """(2.17) p. 45: the head as printed; the body there is misprinted, so the objects are ours."""
    answer = respond(device, hexed("2B 0E 01 00"))
    assert answer[:7] == hexed("2B 0E 01 01 00 00 03")
    assert answer[7:] == b"\x00\x08Ombrella\x01\x05IO-64\x02\x031.0"


def test_identification_levels(device: SmallDevice) -> None:
    """A, 6.21: a level the device lacks is answered with what it has; an unknown object starts again."""
    assert respond(device, hexed("2B 0E 02 00"))[3] == 1
    device.objects = {0: b"a", 1: b"b", 2: b"c", 4: b"d", 0x80: b"e"}
    assert respond(device, hexed("2B 0E 01 00"))[2:7] == hexed("01 03 00 00 03")
    assert respond(device, hexed("2B 0E 02 02")) == hexed("2B 0E 02 03 00 00 02 02 01 63 04 01 64")
    assert respond(device, hexed("2B 0E 03 77"))[6] == 5
    assert respond(device, hexed("2B 0E 04 00")) == hexed("AB 03")
    assert respond(device, hexed("2B 0D 01 00")) == hexed("AB 01")
    device.objects = None
    assert respond(device, hexed("2B 0E 01 00")) == hexed("AB 01")


def test_long_identification_comes_in_parts(device: SmallDevice) -> None:
    """A, 6.21: more follows, and the next object to ask for."""
    objects = {number: bytes([65 + number]) * 100 for number in range(3)} | {0x80: b"z" * 255}
    device.objects = objects
    start, seen = 0, dict[int, bytes]()
    while True:
        answer = respond(device, bytes((0x2B, 0x0E, 3, start)))
        assert len(answer) <= LONGEST_PDU
        place = 7
        for _ in range(answer[6]):
            seen[answer[place]] = answer[place + 2 : place + 2 + answer[place + 1]]
            place += 2 + answer[place + 1]
        assert place == len(answer)
        if not answer[4]:
            break
        start = answer[5]
    assert seen == {number: text[:244] for number, text in objects.items()}


def test_an_absent_coil(device: SmallDevice) -> None:
    """(2.18) p. 47."""
    device.tables[RegisterTable.COIL] = dict.fromkeys(range(1185), 0)
    assert respond(device, hexed("01 04 A1 00 01")) == hexed("81 02")


def test_address_range_case(device: SmallDevice) -> None:
    """(2.23) p. 48: of 100 registers, 4 from 96 can be read, 5 cannot."""
    device.tables[RegisterTable.HOLDING_REGISTER] = dict.fromkeys(range(100), 0)
    assert respond(device, hexed("03 00 60 00 04"))[0] == 3
    assert respond(device, hexed("03 00 60 00 05")) == hexed("83 02")


@pytest.mark.parametrize(
    ("function", "most"),
    [(1, 0x7D0), (2, 0x7D0), (3, 0x7D), (4, 0x7D)],
    ids=["coils", "inputs", "holding", "input"],
)
def test_read_quantities(device: SmallDevice, function: int, most: int) -> None:
    """(2.20) pp. 11 to 16."""
    for quantity, right in ((0, False), (1, True), (most, True), (most + 1, False), (0xFFFF, False)):
        response = respond(device, bytes((function, 0, 0)) + quantity.to_bytes(2, "big"))
        assert (response[0] == function) is right
        assert right or response[1] == 3


@pytest.mark.parametrize(("function", "most", "width"), [(15, 0x7B0, 1), (16, 0x7B, 16)])
def test_write_quantities(device: SmallDevice, function: int, most: int, width: int) -> None:
    """(2.20) pp. 29 and 30; (2.21) the largest requests are 252 bytes."""
    for quantity, right in ((0, False), (1, True), (most, True), (most + 1, False)):
        size = (quantity * width + 7) // 8
        request = bytes((function, 0, 0)) + quantity.to_bytes(2, "big") + bytes((size & 255,)) + bytes(size)
        assert (respond(device, request)[0] == function) is right
        if quantity == most:
            assert len(request) == 252


@pytest.mark.parametrize(
    ("request_", "code"),
    [
        pytest.param("07", 1, id="function unknown"),
        pytest.param("2B 0F", 1, id="other encapsulated interface"),
        pytest.param("08 00 01 00 00", 1, id="other diagnostics"),
        pytest.param("03 FF FF 00 00", 3, id="quantity before address"),
        pytest.param("03 FF FF 00 02", 2, id="past the last address"),
        pytest.param("05 00 00 12 34", 3, id="2.25 coil neither on nor off, p. 17"),
        pytest.param("05 FF FF 12 34", 3, id="value before address"),
        pytest.param("0F 00 00 00 0A 01 CD", 3, id="byte count does not fit the quantity"),
        pytest.param("10 00 00 00 01 02 00", 3, id="byte count does not fit the data"),
        pytest.param("10 FF FF 00 02 04 00 00 00 00", 2, id="written past the last address"),
        pytest.param("16 FF FF 00 00 00 00", 2, id="mask at an absent address"),
        pytest.param("17 00 00 00 7E 00 00 00 01 02 00 00", 3, id="too much to read"),
        pytest.param("17 FF FF 00 01 00 00 00 01 02 00 00", 2, id="read at an absent address"),
        pytest.param("03", 3, id="cut off"),
    ],
)
def test_order_of_checks(device: SmallDevice, request_: str, code: int) -> None:
    """(2.22, 2.24) pp. 47 to 49 and the state diagrams: 01, then 03, then 02, then 04."""
    before = {table: dict(values) for table, values in device.tables.items()}
    request = hexed(request_)
    assert respond(device, request) == bytes((request[0] | 0x80, code))
    assert device.tables == before, "a refused request wrote something"


def test_no_loopback_no_power(device: SmallDevice) -> None:
    device.returns_query_data = False
    assert respond(device, hexed("08 00 00 A5 37")) == hexed("88 01")
    device.powered = False
    assert respond(device, hexed("03 00 00 00 01")) == b""


@given(st.binary(max_size=LONGEST_PDU))
@settings(max_examples=300)
def test_any_request_is_answered_or_refused(small_device_type: type[SmallDevice], request_: bytes) -> None:
    response = respond(small_device_type(), request_)
    assert len(response) <= LONGEST_PDU
    if request_:
        assert response[0] & 0x7F == request_[0] & 0x7F
