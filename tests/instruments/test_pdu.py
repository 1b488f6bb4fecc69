"""Modbus bytes: what the specification prints is built and understood, what it forbids is refused.

Published checks: lines 2.1 to 2.35 of the project's collection of check values, section 2. Source A is the
MODBUS Application Protocol Specification V1.1b3, source B MODBUS over Serial Line V1.02, both the Modbus
organisation's own documents [P] and read in full by the collectors; other sources are named.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU

from hilseq.description.registers import RegisterTable
from hilseq.instruments import codec, pdu
from hilseq.instruments.pdu import NEED_MORE, Refused
from hilseq.instruments.translate import DecodeError

COIL, INPUT, HOLDING, INPUT_REGISTER = RegisterTable


def b(text: str) -> bytes:
    return bytes.fromhex(text)


READS = [
    pytest.param(COIL, 0x13, 0x13, "01 00 13 00 13", "01 03 CD 6B 05", "CD 6B 05", id="2.1 A p.12"),
    pytest.param(INPUT, 0xC4, 0x16, "02 00 C4 00 16", "02 03 AC DB 35", "AC DB 35", id="2.2 A p.13"),
    pytest.param(HOLDING, 0x6B, 3, "03 00 6B 00 03", "03 06 02 2B 00 00 00 64", "02 2B 00 00 00 64",
                 id="2.3 A p.15"),
    pytest.param(INPUT_REGISTER, 8, 1, "04 00 08 00 01", "04 02 00 0A", "00 0A", id="2.4 A p.16"),
]  # fmt: skip


@pytest.mark.parametrize(("table", "address", "count", "request_", "answer", "data"), READS)
def test_published_reads(  # noqa: PLR0917 - one line of the table
    table: RegisterTable, address: int, count: int, request_: str, answer: str, data: str
) -> None:
    """2.1 to 2.4 [P]: request, response and the data in it."""
    request = pdu.read_request(table, address, count)
    assert request == b(request_)
    assert pdu.read_answer(request, b(answer)) == b(data)


def test_published_values() -> None:
    """2.1 and 2.3, A pp. 12 and 15 [P]: coils 27-20 are CD, the last three 05; registers 555, 0, 100."""
    bits = codec.bits_of(b("CD 6B 05"), 19)
    assert bits[:8] == [1, 0, 1, 1, 0, 0, 1, 1]
    assert bits[16:] == [1, 0, 1]
    assert codec.words_of(b("02 2B 00 00 00 64")) == [555, 0, 100]


WRITES = [
    pytest.param(COIL, 0xAC, [1], "05 00 AC FF 00", "05 00 AC FF 00", id="2.5 A p.18"),
    pytest.param(HOLDING, 1, [3], "06 00 01 00 03", "06 00 01 00 03", id="2.6 A p.19"),
    pytest.param(COIL, 0x13, [1, 0, 1, 1, 0, 0, 1, 1, 1, 0], "0F 00 13 00 0A 02 CD 01", "0F 00 13 00 0A",
                 id="2.10 A p.29"),
    pytest.param(HOLDING, 1, [10, 0x102], "10 00 01 00 02 04 00 0A 01 02", "10 00 01 00 02",
                 id="2.11 A p.30"),
]  # fmt: skip


@pytest.mark.parametrize(("table", "address", "values", "request_", "answer"), WRITES)
def test_published_writes(
    table: RegisterTable, address: int, values: list[int], request_: str, answer: str
) -> None:
    """2.5, 2.6, 2.10, 2.11 [P]: request and its confirmation; another confirmation is refused."""
    request = pdu.write_request(table, address, values)
    assert request == b(request_)
    pdu.check_write_answer(request, b(answer))
    with pytest.raises(DecodeError, match="confirms"):
        pdu.check_write_answer(request, b(answer)[:2] + b"\x77" + b(answer)[3:])
    with pytest.raises(DecodeError, match="confirms"):
        pdu.check_write_answer(request, b(answer) + b"\x00")


def test_a_command_that_clears_itself_is_confirmed() -> None:
    """A single write may be confirmed with what the device holds afterwards; several values may not."""
    pdu.check_write_answer(b("06 00 31 C1 EA"), b("06 00 31 00 00"))
    with pytest.raises(DecodeError, match="confirms"):
        pdu.check_write_answer(b("10 00 01 00 02 04 00 0A 01 02"), b("10 00 01 00 01"))


def test_published_loopback() -> None:
    """2.8, A p. 24 [P]."""
    request = pdu.loopback_request(b("A5 37"))
    assert request == b("08 00 00 A5 37")
    assert pdu.loopback_answer(request, request) == b("A5 37")


def test_published_identification() -> None:
    """2.17, A p. 45 [P]: request and head; the body of the example has a misprint (2c) and is made anew."""
    request = pdu.identification_request(1, 0)
    assert request == b("2B 0E 01 00")
    maker, product, revision = b"Company identification", b"Product code XX", b"V2.11"
    body = b"".join(bytes([i, len(t)]) + t for i, t in enumerate((maker, product, revision)))
    answer = b("2B 0E 01 01 00 00 03") + body
    assert pdu.identification_answer(request, answer) == ({0: maker, 1: product, 2: revision}, None)
    more = b("2B 0E 01 01 FF 01 01") + body[: len(maker) + 2]
    assert pdu.identification_answer(request, more) == ({0: maker}, 1)


def test_the_misprinted_identification_is_refused() -> None:
    """2c, A p. 45 [P]: a length of 0D for 15 characters puts everything behind it out of step."""
    request = pdu.identification_request(1, 0)
    answer = b("2B 0E 01 01 00 00 02 00 02") + b"Co" + b("01 0D") + b"Product code XX"
    with pytest.raises(DecodeError, match="2 bytes follow the last object"):
        pdu.identification_answer(request, answer)


def test_published_exception() -> None:
    """2.18, A p. 47 [P]: coil 1185 absent is exception 02."""
    request = pdu.read_request(COIL, 0x04A1, 1)
    assert request == b("01 04 A1 00 01")
    with pytest.raises(Refused, match="illegal data address") as caught:
        pdu.read_answer(request, b("81 02"))
    assert caught.value.code == 2


EXCEPTIONS = {
    1: "illegal function", 2: "illegal data address", 3: "illegal data value", 4: "server device failure",
    5: "acknowledge", 6: "server device busy", 8: "memory parity error", 0xA: "gateway path unavailable",
    0xB: "gateway target device failed to respond",
}  # fmt: skip


@pytest.mark.parametrize(("code", "words"), EXCEPTIONS.items())
def test_published_exception_codes(code: int, words: str) -> None:
    """2.22, A pp. 47-49 [P]: the words, and the function code of the answer is the request's + 80."""
    request = pdu.read_request(HOLDING, 0, 1)
    with pytest.raises(Refused) as caught:
        pdu.read_answer(request, bytes([0x83, code]))
    assert caught.value.words == words
    with pytest.raises(DecodeError, match="answers function 81"):
        pdu.read_answer(request, bytes([0x81, code]))


def test_published_quantity_limits() -> None:
    """2.20, A pp. 11-31 [P]: 2000 bits and 125 registers read, 1968 and 123 written."""
    for table, most in ((COIL, 2000), (INPUT, 2000), (HOLDING, 125), (INPUT_REGISTER, 125)):
        assert pdu.read_request(table, 0, most)
        for count in (0, most + 1):
            with pytest.raises(ValueError, match=f"expected 1 to {most}"):
                pdu.read_request(table, 0, count)
    for table, most in ((COIL, 1968), (HOLDING, 123)):
        # 2.21, A p. 5 [P]: the largest requests are 252 bytes, within the 253 of a PDU.
        assert len(pdu.write_request(table, 0, [1] * most)) == 252
        with pytest.raises(ValueError, match=f"expected 1 to {most}"):
            pdu.write_request(table, 0, [1] * (most + 1))


def test_published_coil_values() -> None:
    """2.25, A p. 17 [P]: only 0000 and FF00 are legal for a coil."""
    assert pdu.write_request(COIL, 0, [0]) == b("05 00 00 00 00")
    assert pdu.write_request(COIL, 0, [1]) == b("05 00 00 FF 00")


def test_published_crc() -> None:
    """2.27, B p. 41 [P]: 02 07 is sent with 41 12. 2.28, CRC catalogue (from memory there): 4B37."""
    assert pdu.crc(b("02 07")) == b("41 12")
    assert pdu.crc(b"123456789") == b("37 4B")


RTU = [
    pytest.param(
        0x11, "01 00 13 00 25", "11 01 00 13 00 25 0E 84", id="2.29 two web tutorials [S], recomputed"
    ),
    pytest.param(0x01, "03 00 02 00 01", "01 03 00 02 00 01 25 CA", id="2.29 second"),
    pytest.param(0x11, "03 00 6B 00 03", "11 03 00 6B 00 03 76 87", id="2.30 computed"),
    pytest.param(0x01, "03 00 00 00 0A", "01 03 00 00 00 0A C5 CD", id="2.30 second"),
    pytest.param(0x01, "05 00 AC FF 00", "01 05 00 AC FF 00 4C 1B", id="2.30 third"),
]


@pytest.mark.parametrize(("device", "request_", "frame"), RTU)
def test_published_rtu_frames(device: int, request_: str, frame: str) -> None:
    """2.29 and 2.30: whole frames on a serial line."""
    assert pdu.rtu_frame(device, b(request_)) == b(frame)


def test_published_rtu_answers() -> None:
    """2.29, web tutorials [S], recomputed: an answer of five bytes of coils. 2.30, computed: an exception."""
    request = pdu.read_request(COIL, 0x13, 0x25)
    answer = pdu.rtu_cut(b("11 01 05 CD 6B B2 0E 1B 45 E6"), 0x11, request)
    assert answer == b("01 05 CD 6B B2 0E 1B")
    assert pdu.read_answer(request, b("01 05 CD 6B B2 0E 1B")) == b("CD 6B B2 0E 1B")
    assert pdu.rtu_cut(b("01 83 02 C0 F1"), 1, pdu.read_request(HOLDING, 0, 1)) == b("83 02")


@pytest.mark.parametrize(
    ("speed", "seconds"), [(1200, 32.08e-3), (9600, 4.010e-3), (19200, 2.005e-3), (38400, 1.75e-3)]
)
def test_published_silent_intervals(speed: int, seconds: float) -> None:
    """2.32 and 2.33, B p. 13 [P], recomputed for characters of 11 bits (2.34, B p. 12 [P])."""
    assert pdu.silent_interval(speed) == pytest.approx(seconds, rel=1e-3)


# -- beyond the published


def requests() -> st.SearchStrategy[bytes]:
    """Any request this package builds."""
    tables = st.sampled_from(RegisterTable)
    reads = st.builds(
        lambda table, address, count: pdu.read_request(table, address, min(count, pdu.most_read(table))),
        tables, st.integers(0, 60000), st.integers(1, 2000),
    )  # fmt: skip
    coils = st.builds(
        lambda address, values: pdu.write_request(COIL, address, values),
        st.integers(0, 60000), st.lists(st.integers(0, 1), min_size=1, max_size=200),
    )  # fmt: skip
    words = st.builds(
        lambda address, values: pdu.write_request(HOLDING, address, values),
        st.integers(0, 60000), st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=123),
    )  # fmt: skip
    loops = st.binary(min_size=1, max_size=100).map(lambda data: pdu.loopback_request(data * 2))
    return st.one_of(reads, coils, words, loops, st.just(pdu.identification_request(1, 0)))


def good_answer(request: bytes) -> bytes:
    """Return a legal answer to a request."""
    function, count = request[0], int.from_bytes(request[3:5], "big")
    if function <= 4:
        data = bytes((count + 7) // 8 if function <= 2 else 2 * count)
        return bytes([function, len(data)]) + data
    if function == 0x2B:
        return b("2B 0E 01 01 00 00 01 00 02 41 42")
    return request if function == 8 else request[:5]


@given(requests())
def test_pymodbus_understands_every_request(request: bytes) -> None:
    """The other side of a connection, pymodbus's server decoder, reads the same request."""
    server = DecodePDU(is_server=True)
    assert server.decode(request) is not None
    for framer, frame in (
        (FramerSocket(server), pdu.tcp_frame(7, 3, request)), (FramerRTU(server), pdu.rtu_frame(3, request)),
    ):  # fmt: skip
        if isinstance(framer, FramerRTU) and request[0] == 8 and len(request) > 5:
            continue  # pymodbus takes every loop-back on a serial line for one of two bytes
        used, decoded = framer.handleFrame(frame, 3, 0)
        assert used == len(frame)
        assert decoded is not None
        assert bytes([decoded.function_code]) + decoded.encode() == request


@given(requests(), st.booleans())
def test_an_answer_is_cut_out_whatever_pieces_it_comes_in(request: bytes, exception: bool) -> None:
    """Byte by byte, each prefix asks for more and only the whole is an answer; one byte too many is none."""
    answer = bytes([request[0] | 0x80, 2]) if exception else good_answer(request)
    tcp, rtu = pdu.tcp_frame(9, 3, answer), pdu.rtu_frame(3, answer)
    for end in range(len(tcp)):
        assert pdu.tcp_cut(tcp[:end], 9, 3) is NEED_MORE
    for end in range(len(rtu)):
        assert pdu.rtu_cut(rtu[:end], 3, request) is NEED_MORE
    assert pdu.tcp_cut(tcp, 9, 3) == answer
    assert pdu.rtu_cut(rtu, 3, request) == answer
    with pytest.raises(DecodeError, match="1 bytes follow the answer"):
        pdu.tcp_cut(tcp + b"\0", 9, 3)
    with pytest.raises(DecodeError, match="1 bytes follow the answer"):
        pdu.rtu_cut(rtu + b"\0", 3, request)


@given(requests(), st.binary(max_size=300))
def test_no_bytes_crash_a_parser(request: bytes, data: bytes) -> None:
    """Whatever comes, a parser answers, asks for more, or says DecodeError or Refused."""
    parsers: list[Callable[[], object]] = [
        lambda: pdu.tcp_cut(data, 9, 3), lambda: pdu.rtu_cut(data, 3, request),
        lambda: pdu.check_write_answer(request, data), lambda: pdu.loopback_answer(request, data),
        lambda: pdu.identification_answer(request, data), lambda: pdu.describe(request),
    ]  # fmt: skip
    if request[0] <= 4:
        parsers.append(lambda: pdu.read_answer(request, data))
    for parse in parsers:
        with suppress(DecodeError, Refused):
            parse()


WRONG_FRAMES = [
    ("00 08 00 00 00 03 03 03 02", "it answers transaction 8, asked was 9"),
    ("00 09 00 01 00 03 03 03 02", "protocol identifier 1"),
    ("00 09 00 00 00 03 04 03 02", "it answers for device 4, asked was 3"),
    ("00 09 00 00 00 02 03", "a length of 2"),
    ("00 09 00 00 FF FF 03", "a length of 65535"),
]


@pytest.mark.parametrize(("frame", "message"), WRONG_FRAMES)
def test_a_foreign_frame_is_refused_at_once(frame: str, message: str) -> None:
    """Pymodbus's client passes over these in silence until its deadline."""
    with pytest.raises(DecodeError, match=message):
        pdu.tcp_cut(b(frame), 9, 3)


WRONG_RTU = [
    ("04", "it answers for device 4, asked was 3"),
    ("03 04", "it answers function 04, asked was 03"),
    ("03 03 02 00 01 00 00", "its CRC is 0000"),
]


@pytest.mark.parametrize(("frame", "message"), WRONG_RTU)
def test_a_foreign_rtu_frame_is_refused_at_once(frame: str, message: str) -> None:
    """From the first byte that cannot belong to the answer."""
    with pytest.raises(DecodeError, match=message):
        pdu.rtu_cut(b(frame), 3, pdu.read_request(HOLDING, 0, 1))


@given(st.integers(0, 64), st.integers(0, 7))
def test_a_flipped_bit_on_the_line_is_found(byte: int, bit: int) -> None:
    """No single bit error of an answer passes: address, function, length or CRC gives it away."""
    request = pdu.read_request(HOLDING, 0, 30)
    frame = bytearray(pdu.rtu_frame(3, good_answer(request)))
    frame[byte] ^= 1 << bit
    try:
        assert pdu.rtu_cut(bytes(frame), 3, request) is NEED_MORE
    except DecodeError:
        return
    assert byte == 2, "only a longer length may wait for more"


COUNTS = ["03 04 00 01", "03 02 00 01 00 02", "03 03 00 01 00", "03", "03 00"]


@pytest.mark.parametrize("answer", COUNTS)
def test_the_count_is_compared_with_the_question(answer: str) -> None:
    """One register was asked: more, less, or a count that lies about its data is nonsense."""
    with pytest.raises(DecodeError, match=r"2 expected|no bytes"):
        pdu.read_answer(pdu.read_request(HOLDING, 0, 1), b(answer))


@pytest.mark.parametrize("size", [0, 1, 3, 252])
def test_loopback_data_is_checked(size: int) -> None:
    """A, 6.8: the data of a loop-back are words."""
    with pytest.raises(ValueError, match="expected an even number from 2 to 250"):
        pdu.loopback_request(bytes(size))


def test_requests_are_reported_in_words() -> None:
    """A message says what was asked, not which bytes."""
    reported = [
        pdu.describe(request)
        for request in (
            pdu.read_request(INPUT_REGISTER, 7, 1),
            pdu.read_request(COIL, 0, 16),
            pdu.write_request(COIL, 5, [1]),
            pdu.write_request(HOLDING, 5, [1, 2, 3]),
            pdu.loopback_request(b"ab"),
            pdu.identification_request(1, 0),
        )
    ]
    assert reported == [
        "read input register 7",
        "read coils 0 to 15",
        "write coil 5 := 0xff00",
        "write holding registers 5 to 7",
        "loop back 2 bytes (function 08)",
        "identification from object 0 (function 43/14)",
    ]
    assert len(set(itertools.chain(reported))) == len(reported)
