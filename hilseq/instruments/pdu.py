"""Modbus in bytes: requests, answers and frames for TCP and for serial lines.

Pure: knows the MODBUS Application Protocol Specification V1.1b3 ("A") and MODBUS over Serial Line V1.02
("B"). Must not know connections, deadlines or what a register means. What cannot be an answer raises
`DecodeError`; an exception response raises `Refused`; a frame that is not complete yet is NEED_MORE.

Requests and their frames are built by pymodbus. Answers are taken apart here, because pymodbus hunts for
frames in garbage, passes over answers to other questions in silence, does not compare counts with the
question, and takes 41 microseconds for 125 registers where one struct call takes 2.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from enum import Enum
from typing import Final

from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU, ModbusPDU
from pymodbus.pdu.bit_message import (
    ReadCoilsRequest,
    ReadDiscreteInputsRequest,
    WriteMultipleCoilsRequest,
    WriteSingleCoilRequest,
)
from pymodbus.pdu.diag_message import ReturnQueryDataRequest
from pymodbus.pdu.mei_message import ReadDeviceInformationRequest
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadInputRegistersRequest,
    WriteMultipleRegistersRequest,
    WriteSingleRegisterRequest,
)

from hilseq.description.registers import (
    MOST_BITS_READ,
    MOST_BITS_WRITTEN,
    MOST_REGISTERS_READ,
    MOST_REGISTERS_WRITTEN,
    RegisterTable,
)
from hilseq.instruments.translate import DecodeError

#: A, 4.1: the largest PDU.
LONGEST_PDU = 253
#: A, 7: the codes of exception responses in the specification's words.
EXCEPTIONS = {
    0x01: "illegal function",
    0x02: "illegal data address",
    0x03: "illegal data value",
    0x04: "server device failure",
    0x05: "acknowledge",
    0x06: "server device busy",
    0x08: "memory parity error",
    0x0A: "gateway path unavailable",
    0x0B: "gateway target device failed to respond",
}
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE = 0x01, 0x02, 0x03
ACKNOWLEDGED = 0x05
BUSY = 0x06
#: What a gateway says of the way behind it: no path, no answer (Modbus V1.1b3, 7).
GATEWAY_REFUSALS = (0x0A, 0x0B)
EXCEPTION_BIT = 0x80
_COIL_ON, _COIL_OFF = 0xFF00, 0x0000

READ_FUNCTION = {
    RegisterTable.COIL: 1,
    RegisterTable.DISCRETE_INPUT: 2,
    RegisterTable.HOLDING_REGISTER: 3,
    RegisterTable.INPUT_REGISTER: 4,
}
_READ_REQUEST: dict[RegisterTable, type[ModbusPDU]] = {
    RegisterTable.COIL: ReadCoilsRequest,
    RegisterTable.DISCRETE_INPUT: ReadDiscreteInputsRequest,
    RegisterTable.HOLDING_REGISTER: ReadHoldingRegistersRequest,
    RegisterTable.INPUT_REGISTER: ReadInputRegistersRequest,
}
#: Functions that change nothing: a question that was lost may be asked once more.
HARMLESS = frozenset({*READ_FUNCTION.values(), 0x2B})
_TABLE_OF_FUNCTION = {function: table for table, function in READ_FUNCTION.items()}
#: By exception and function, the key of a stand file for a device that lacks this.
_WAYS_OUT = {
    **{(ILLEGAL_FUNCTION, function): "bit-writes" for function in (5, 15)},
    **{(ILLEGAL_FUNCTION, function): "writes" for function in (6, 16)},
    **{(ILLEGAL_VALUE, function): "max-bit-read" for function in (1, 2)},
    **{(ILLEGAL_VALUE, function): "max-read" for function in (3, 4)},
    (ILLEGAL_VALUE, 15): "max-bit-write",
    (ILLEGAL_VALUE, 16): "max-write",
}
_LOOPBACK, _INTERFACE, _IDENTIFICATION = 0x08, 0x2B, 0x0E
_WRITES = {
    5: "write coil",
    6: "write holding register",
    15: "write coils",
    16: "write holding registers",
}


class NeedMore(Enum):
    """A frame is not complete yet."""

    NEED_MORE = "need more"


NEED_MORE: Final = NeedMore.NEED_MORE


class Refused(Exception):  # noqa: N818 - it says what the device did, like the family in errors.py
    """The device answered with an exception response; `code` is its number, `words` the specification's."""

    def __init__(self, code: int) -> None:
        self.code = code
        self.words = EXCEPTIONS.get(code, "a code the specification does not know")
        super().__init__(f"exception {code:02X}: {self.words}")


def way_out(request: bytes, code: int) -> str:
    """Return the key by which a stand file says that a device does not take such a request; empty where none does."""
    several = int.from_bytes(request[3:5], "big") > 1
    return _WAYS_OUT.get((code, request[0]), "") if several or code == ILLEGAL_FUNCTION else ""


# -- requests


def _pdu(message: ModbusPDU) -> bytes:
    return bytes([message.function_code]) + message.encode()


def _check_count(count: int, most: int, what: str) -> None:
    if not 1 <= count <= most:
        raise ValueError(f"{count} {what} in one request; expected 1 to {most}")


def most_read(table: RegisterTable) -> int:
    """Return how many values of a table one request may read."""
    return MOST_BITS_READ if table.holds_bits else MOST_REGISTERS_READ


def most_written(table: RegisterTable) -> int:
    """Return how many values of a table one request may write."""
    return MOST_BITS_WRITTEN if table.holds_bits else MOST_REGISTERS_WRITTEN


def read_request(table: RegisterTable, address: int, count: int) -> bytes:
    """Return the request to read `count` bits or registers (functions 01 to 04)."""
    _check_count(count, most_read(table), "values to read")
    return _pdu(_READ_REQUEST[table](address=address, count=count))


def write_request(table: RegisterTable, address: int, values: Sequence[int], *, single: bool = True) -> bytes:
    """Return the request to write coils (05, 0F) or holding registers (06, 10).

    One value takes the function for one, unless `single` is false.
    """
    _check_count(len(values), most_written(table), "values to write")
    alone = single and len(values) == 1
    if table is RegisterTable.COIL:
        bits = [bool(value) for value in values]
        make: type[ModbusPDU] = WriteSingleCoilRequest if alone else WriteMultipleCoilsRequest
        return _pdu(make(address=address, bits=bits))
    if table is RegisterTable.HOLDING_REGISTER:
        make = WriteSingleRegisterRequest if alone else WriteMultipleRegistersRequest
        return _pdu(make(address=address, registers=list(values)))
    raise ValueError(f"a {table} cannot be written")


def loopback_request(data: bytes) -> bytes:
    """Return the request to send `data` back (08, sub-function 0000): two bytes, or an even number."""
    if len(data) % 2 or not 2 <= len(data) <= LONGEST_PDU - 3:  # noqa: PLR2004 - function and sub-function
        raise ValueError(
            f"{len(data)} bytes to loop back; expected an even number from 2 to {LONGEST_PDU - 3}"
        )
    return _pdu(ReturnQueryDataRequest(message=data))


def identification_request(level: int, first: int) -> bytes:
    """Return the request for identification objects (2B/0E).

    `level` 1 asks for the basic objects, 2 for the regular, 3 for the extended ones, from object `first`.
    """
    return _pdu(ReadDeviceInformationRequest(read_code=level, object_id=first))


def describe(request: bytes) -> str:
    """Return what a request asks, in words for a message."""
    function = request[0]
    if function in _TABLE_OF_FUNCTION:
        address, count = struct.unpack_from(">HH", request, 1)
        plural = f"s {address} to {address + count - 1}" if count > 1 else f" {address}"
        return f"read {_TABLE_OF_FUNCTION[function]}{plural}"
    if function in _WRITES:
        address, value = struct.unpack_from(">HH", request, 1)
        last = f" to {address + value - 1}" if function in (15, 16) else f" := {value:#06x}"
        return f"{_WRITES[function]} {address}{last}"
    if function == _LOOPBACK:
        return f"loop back {len(request) - 3} bytes (function 08)"
    if function == _INTERFACE:
        return f"identification from object {request[3]} (function 43/14)"
    return f"function {function:02X}"


# -- answers


def _checked(request: bytes, answer: bytes) -> bytes:
    """Return the answer once its function is the request's. Raises Refused, DecodeError."""
    function = request[0]
    if not answer:
        raise DecodeError("the answer is empty")
    if answer[0] == function | EXCEPTION_BIT:
        if len(answer) != 2:  # noqa: PLR2004 - function and code
            raise DecodeError(f"an exception response of {len(answer)} bytes, expected 2")
        raise Refused(answer[1])
    if answer[0] != function:
        raise DecodeError(f"it answers function {answer[0]:02X}, asked was {function:02X}")
    return answer


def read_answer(request: bytes, answer: bytes) -> bytes:
    """Return the data of an answer to a read request, its length checked against the question."""
    if answer[:1] != request[:1]:
        _checked(request, answer)
    count = request[3] << 8 | request[4]
    expected = (count + 7) // 8 if request[0] <= 2 else 2 * count  # noqa: PLR2004 - 01 and 02 are bits
    if len(answer) != expected + 2 or answer[1] != expected:
        said = answer[1] if len(answer) > 1 else "no"
        raise DecodeError(f"{said} bytes of data said, {len(answer) - 2} sent, {expected} expected")
    return answer[2:]


def check_write_answer(request: bytes, answer: bytes) -> None:
    """Check the answer to a write request: it repeats the first five bytes of the question.

    Of a single value (functions 05 and 06) only the address is compared: widespread servers answer with what
    they hold afterwards, which a command register that clears itself has already forgotten. Whether a value
    was taken is for reading back to tell.
    """
    _checked(request, answer)
    alike = 3 if request[0] in {0x05, 0x06} else 5
    if len(answer) != 5 or answer[:alike] != request[:alike]:  # noqa: PLR2004 - function, address, value
        raise DecodeError(f"it confirms {answer.hex(' ')}, asked was {request[:5].hex(' ')}")


def loopback_answer(request: bytes, answer: bytes) -> bytes:
    """Return the data that came back; whether it is what was sent is for the caller to judge."""
    _checked(request, answer)
    if answer[1:3] != request[1:3]:
        raise DecodeError(f"it answers sub-function {answer[1:3].hex()}, asked was {request[1:3].hex()}")
    return answer[3:]


def identification_answer(request: bytes, answer: bytes) -> tuple[dict[int, bytes], int | None]:
    """Return the objects of an answer to 2B/0E, and from which object on to ask for more (None: no more)."""
    _checked(request, answer)
    head = 7
    if len(answer) < head or answer[1] != _IDENTIFICATION:
        raise DecodeError("its head is no device identification")
    more, following, number = answer[4:head]
    objects: dict[int, bytes] = {}
    position = head
    for _ in range(number):
        if position + 2 > len(answer):
            raise DecodeError(f"it announces {number} objects and holds {len(objects)}")
        key, length = answer[position : position + 2]
        position += 2 + length
        if position > len(answer):
            raise DecodeError(f"object {key} is longer than the answer")
        objects[key] = answer[position - length : position]
    if position != len(answer):
        raise DecodeError(f"{len(answer) - position} bytes follow the last object")
    return objects, following if more == 0xFF else None  # noqa: PLR2004 - A, 6.21: FF is `more follows`


# -- frames on TCP

_socket_framer = FramerSocket(DecodePDU(is_server=False))
_MBAP_LENGTH = 7
#: How many questions back an answer may be a late one: a duplicate is late by moments. One from further back is
#: a wrong number, as on a connection of many hours all numbers have been asked.
_LATE = 256


def tcp_frame(transaction: int, device: int, pdu: bytes) -> bytes:
    """Return the request with its MBAP header (A, 4.1; MODBUS Messaging on TCP/IP V1.0b, 3.1.3)."""
    return _socket_framer.encode(pdu, device, transaction)


def next_transaction(transaction: int) -> int:
    """Return the number of the next question: 1 to 65535 and round again, because 0 is sent by who counts none."""
    return transaction % 0xFFFF + 1


def is_late(data: bytes, transaction: int, earlier: int) -> bool:
    """Return whether `data` begins an answer to one of the `earlier` questions before `transaction`."""
    if len(data) < 2 or any(data[2:4]):  # noqa: PLR2004 - the transaction; then the protocol, which is 0
        return False
    seen = data[0] << 8 | data[1]
    return seen != 0 and 0 < (transaction - seen) % 0xFFFF <= min(earlier, _LATE)


def without_late(data: bytes, transaction: int, earlier: int) -> bytes:
    """Return what follows the whole late answers that begin `data`."""
    while len(data) >= _MBAP_LENGTH and is_late(data, transaction, earlier):
        length = data[4] << 8 | data[5]
        if not 3 <= length <= LONGEST_PDU + 1 or len(data) < 6 + length:  # noqa: PLR2004 - as in tcp_cut
            break
        data = data[6 + length :]
    return data


def tcp_cut(data: bytes, transaction: int, device: int, earlier: int = 0) -> bytes | NeedMore:
    """Return the PDU of the one answer in `data`. Raises DecodeError as soon as it cannot be the answer.

    Networks and gateways deliver some answers twice: late ones, to one of the `earlier` questions asked on this
    connection before, are passed over; so are those that follow the answer.
    """
    if len(data) < _MBAP_LENGTH:
        return NEED_MORE
    seen, protocol, length, unit = struct.unpack_from(">HHHB", data)
    if protocol:
        raise DecodeError(f"protocol identifier {protocol} in its header, expected 0")
    if not 3 <= length <= LONGEST_PDU + 1:  # noqa: PLR2004 - unit, function and one byte
        raise DecodeError(f"a length of {length} in its header, expected 3 to {LONGEST_PDU + 1}")
    if seen != transaction:
        if not is_late(data, transaction, earlier):
            raise DecodeError(f"it answers transaction {seen}, asked was {transaction}")
        rest = without_late(data, transaction, earlier)
        return NEED_MORE if rest is data else tcp_cut(rest, transaction, device, earlier)
    if unit != device:
        raise DecodeError(f"it answers for device {unit}, asked was {device}")
    if len(data) < 6 + length:
        return NEED_MORE
    if len(data) > 6 + length and without_late(
        data[6 + length :], next_transaction(transaction), earlier + 1
    ):
        raise DecodeError(f"{len(data) - 6 - length} bytes follow the answer")
    return data[_MBAP_LENGTH : 6 + length]


# -- frames on a serial line

_rtu_framer = FramerRTU(DecodePDU(is_server=False))
#: B, 2.5.1.1: above 19200 Bd the silent interval is fixed; one character has 11 bits.
_FIXED_INTERVAL_ABOVE, _FIXED_INTERVAL = 19200, 1.75e-3
_CHARACTER_BITS = 11


def crc(data: bytes) -> bytes:
    """Return the CRC-16 of B, 6.2.2 in the order in which it is sent, low byte first."""
    return FramerRTU.compute_CRC(data).to_bytes(2, "big")


def rtu_frame(device: int, pdu: bytes) -> bytes:
    """Return the request with device number and CRC."""
    return _rtu_framer.encode(pdu, device, 0)


def silent_interval(speed: float) -> float:
    """Return the silence between frames at a line speed in Bd, in seconds (B, 2.5.1.1: t3.5)."""
    return _FIXED_INTERVAL if speed > _FIXED_INTERVAL_ABOVE else 3.5 * _CHARACTER_BITS / speed


def line_time(count: int, speed: float | None) -> float:
    """Return the time that `count` characters of 11 bits take at a line speed in Bd, in s; 0 without a speed."""
    return count * _CHARACTER_BITS / speed if speed else 0.0


def rtu_length(data: bytes) -> int | NeedMore:
    """Return the length of the answer frame that begins `data`, as soon as its own bytes tell it.

    Raises DecodeError for a function whose length is not known.
    """
    if len(data) < 3:  # noqa: PLR2004 - device, function, and the byte that tells the length
        return NEED_MORE
    function = data[1]
    if function & EXCEPTION_BIT:
        return 5
    if function in _TABLE_OF_FUNCTION:
        return 5 + data[2]
    if function in _WRITES:
        return 8
    if function == _INTERFACE:
        return _identification_length(data)
    raise DecodeError(f"it answers function {function:02X}, which was not asked")


def _identification_length(data: bytes) -> int | NeedMore:
    position = 8
    if len(data) < position:
        return NEED_MORE
    for _ in range(data[7]):
        if len(data) < position + 2:
            return NEED_MORE
        position += 2 + data[position + 1]
    return position + 2


def rtu_cut(data: bytes, device: int, request: bytes) -> bytes | NeedMore:
    """Return the PDU of the one answer in `data`. Raises DecodeError as soon as it cannot be the answer."""
    if data and data[0] != device:
        raise DecodeError(f"it answers for device {data[0]}, asked was {device}")
    if len(data) > 1 and data[1] & ~EXCEPTION_BIT != request[0]:
        raise DecodeError(f"it answers function {data[1]:02X}, asked was {request[0]:02X}")
    # A loop-back is as long as its question; nothing in it tells its length (A, 6.8).
    echoed = request[0] == _LOOPBACK and data[1:2] == request[:1]
    length = len(request) + 3 if echoed else rtu_length(data)
    if length is NEED_MORE or len(data) < length:
        return NEED_MORE
    if len(data) > length:
        raise DecodeError(f"{len(data) - length} bytes follow the answer")
    if crc(data[:-2]) != data[-2:]:
        raise DecodeError(f"its CRC is {data[-2:].hex()}, computed {crc(data[:-2]).hex()}")
    return data[1:-2]


def expected_rtu_length(request: bytes) -> int:
    """Return about how long the answer frame will be, for the time it takes on the line."""
    if request[0] in _TABLE_OF_FUNCTION:
        count = request[3] << 8 | request[4]
        return 5 + ((count + 7) // 8 if request[0] <= 2 else 2 * count)  # noqa: PLR2004
    return 8 if request[0] in _WRITES else max(len(request) + 3, 64)
