"""Modbus protocol data units: request bytes in, response bytes out, over a device's four tables.

After the MODBUS Application Protocol Specification V1.1b3. The checks come in the order of its state
diagrams: function (exception 01), quantity and byte count (03), address range (02), execution (04, others); first of
all comes what the stand file says that a device does not take. Pure: no I/O, and nothing is known of what the
registers mean.
"""

from __future__ import annotations

import struct
from collections.abc import Callable

from hilseq.description.registers import ModbusLimits, RegisterTable
from hilseq_sim.views import ModbusRefusal, ModbusView

ILLEGAL_FUNCTION = 1
ILLEGAL_ADDRESS = 2
ILLEGAL_VALUE = 3
BUSY = 6

ADDRESSES = 65536
MOST_BITS_READ = 2000
MOST_BITS_WRITTEN = 1968
MOST_WORDS_READ = 125
MOST_WORDS_WRITTEN = 123
MOST_WORDS_EXCHANGED = 121
LONGEST_PDU = 253

COIL_ON = 0xFF00
RETURN_QUERY_DATA = 0
DEVICE_IDENTIFICATION = 14

_TWO = struct.Struct(">HH")
_READ_WORDS = [struct.Struct(f">BB{count}H") for count in range(MOST_WORDS_READ + 1)]
_WORDS = [struct.Struct(f">{count}H") for count in range(MOST_WORDS_READ + 1)]
_TO_DIGITS = bytes.maketrans(b"\x00\x01", b"01")
#: The last object of each level of device identification, by ReadDevId code and by conformity level.
_LAST_OBJECT = {1: 0x02, 2: 0x06, 3: 0xFF}
_MORE_FOLLOWS = 0xFF

Handler = Callable[[ModbusView, bytes], bytes]


def respond(view: ModbusView, request: bytes) -> bytes:
    """Carry out one request PDU and return the response PDU, empty when the device does not answer."""
    if not request or not view.answering():
        return b""
    function = request[0]
    if view.quirks is not None and (code := _beyond_limits(view.quirks, request)):
        return bytes((function | 0x80, code))
    try:
        return _HANDLERS.get(function, _unknown)(view, request)
    except ModbusRefusal as refusal:
        return bytes((function | 0x80, refusal.code))


def refuse_busy(view: ModbusView, request: bytes) -> bytes:
    """Return the refusal of a device that is busy (specification, 7: exception 06); nothing is carried out."""
    return bytes((request[0] | 0x80, BUSY)) if request and view.answering() else b""


def _unknown(_: ModbusView, __: bytes) -> bytes:
    raise ModbusRefusal(ILLEGAL_FUNCTION)


def _two_words(request: bytes) -> tuple[int, int]:
    if len(request) != 5:  # noqa: PLR2004 - function and two words
        raise ModbusRefusal(ILLEGAL_VALUE)
    first, second = _TWO.unpack_from(request, 1)
    return first, second


def _check_range(address: int, count: int) -> None:
    if address + count > ADDRESSES:
        raise ModbusRefusal(ILLEGAL_ADDRESS)


def _packed(bits: list[int]) -> bytes:
    """Pack bits into bytes, the first one lowest."""
    digits = bytes(bits)[::-1].translate(_TO_DIGITS)
    return int(digits, 2).to_bytes((len(bits) + 7) // 8, "little")


def _unpacked(data: bytes, count: int) -> list[int]:
    number = int.from_bytes(data, "little")
    return [number >> place & 1 for place in range(count)]


def _read_bits(table: RegisterTable) -> Handler:
    def handle(view: ModbusView, request: bytes) -> bytes:
        address, count = _two_words(request)
        if not 1 <= count <= MOST_BITS_READ:
            raise ModbusRefusal(ILLEGAL_VALUE)
        _check_range(address, count)
        data = _packed(view.read(table, address, count))
        return bytes((request[0], len(data))) + data

    return handle


def _read_words(table: RegisterTable) -> Handler:
    def handle(view: ModbusView, request: bytes) -> bytes:
        address, count = _two_words(request)
        if not 1 <= count <= MOST_WORDS_READ:
            raise ModbusRefusal(ILLEGAL_VALUE)
        _check_range(address, count)
        return _READ_WORDS[count].pack(request[0], 2 * count, *view.read(table, address, count))

    return handle


def _write_coil(view: ModbusView, request: bytes) -> bytes:
    address, value = _two_words(request)
    if value not in (0, COIL_ON):
        raise ModbusRefusal(ILLEGAL_VALUE)
    view.write(RegisterTable.COIL, address, [1 if value else 0])
    return request


def _write_register(view: ModbusView, request: bytes) -> bytes:
    address, value = _two_words(request)
    view.write(RegisterTable.HOLDING_REGISTER, address, [value])
    return request


def _loopback(view: ModbusView, request: bytes) -> bytes:
    if not view.loopback() or len(request) < 3 or request[1:3] != b"\x00\x00":  # noqa: PLR2004
        raise ModbusRefusal(ILLEGAL_FUNCTION)
    return request


def _write_coils(view: ModbusView, request: bytes) -> bytes:
    address, count, data = _block(request, 6)
    if not 1 <= count <= MOST_BITS_WRITTEN or len(data) != (count + 7) // 8:
        raise ModbusRefusal(ILLEGAL_VALUE)
    _check_range(address, count)
    view.write(RegisterTable.COIL, address, _unpacked(data, count))
    return request[:5]


def _write_registers(view: ModbusView, request: bytes) -> bytes:
    address, count, data = _block(request, 6)
    if not 1 <= count <= MOST_WORDS_WRITTEN or len(data) != 2 * count:
        raise ModbusRefusal(ILLEGAL_VALUE)
    _check_range(address, count)
    view.write(RegisterTable.HOLDING_REGISTER, address, list(_WORDS[count].unpack(data)))
    return request[:5]


def _block(request: bytes, head: int) -> tuple[int, int, bytes]:
    """Return the last two words of a head, and the data announced by the byte count that ends it."""
    if len(request) < head or request[head - 1] != len(request) - head:
        raise ModbusRefusal(ILLEGAL_VALUE)
    address, count = _TWO.unpack_from(request, head - 5)
    return address, count, request[head:]


def _mask_register(view: ModbusView, request: bytes) -> bytes:
    if len(request) != 7:  # noqa: PLR2004 - function, address, two masks
        raise ModbusRefusal(ILLEGAL_VALUE)
    address, both, either = struct.unpack_from(">HHH", request, 1)
    (present,) = view.read(RegisterTable.HOLDING_REGISTER, address, 1)
    view.write(RegisterTable.HOLDING_REGISTER, address, [present & both | either & ~both & 0xFFFF])
    return request


def _exchange_registers(view: ModbusView, request: bytes) -> bytes:
    written_to, written, data = _block(request, 10)
    address, count = _TWO.unpack_from(request, 1)
    if (
        not 1 <= count <= MOST_WORDS_READ
        or not 1 <= written <= MOST_WORDS_EXCHANGED
        or len(data) != 2 * written
    ):
        raise ModbusRefusal(ILLEGAL_VALUE)
    _check_range(address, count)
    _check_range(written_to, written)
    # A bad address must be refused before anything is written.
    view.read(RegisterTable.HOLDING_REGISTER, address, count)
    view.write(RegisterTable.HOLDING_REGISTER, written_to, list(_WORDS[written].unpack(data)))
    values = view.read(RegisterTable.HOLDING_REGISTER, address, count)
    response: bytes = _READ_WORDS[count].pack(request[0], 2 * count, *values)
    return response


def _identify(view: ModbusView, request: bytes) -> bytes:
    """Answer function 43/14, stream access only (conformity level 01 to 03 after the objects there are)."""
    objects = view.identification()
    if objects is None or len(request) < 2 or request[1] != DEVICE_IDENTIFICATION:  # noqa: PLR2004
        raise ModbusRefusal(ILLEGAL_FUNCTION)
    if len(request) != 4 or request[2] not in _LAST_OBJECT:  # noqa: PLR2004 - 2B 0E, ReadDevId, object id
        raise ModbusRefusal(ILLEGAL_VALUE)
    highest = max(objects, default=0)
    conformity = next(level for level, last in _LAST_OBJECT.items() if highest <= last)
    asked = min(request[2], conformity)
    wanted = sorted(number for number in objects if number <= _LAST_OBJECT[asked])
    # An object id that is not there starts again at the beginning (specification, 6.21).
    start = request[3] if request[3] in wanted else 0
    body, count, more, following = b"", 0, 0, 0
    for number in wanted:
        if number < start:
            continue
        text = objects[number][: LONGEST_PDU - 9]
        if len(body) + len(text) + 2 > LONGEST_PDU - 7:
            more, following = _MORE_FOLLOWS, number
            break
        body += bytes((number, len(text))) + text
        count += 1
    return bytes((request[0], request[1], request[2], conformity, more, following, count)) + body


_HANDLERS: dict[int, Handler] = {
    1: _read_bits(RegisterTable.COIL),
    2: _read_bits(RegisterTable.DISCRETE_INPUT),
    3: _read_words(RegisterTable.HOLDING_REGISTER),
    4: _read_words(RegisterTable.INPUT_REGISTER),
    5: _write_coil,
    6: _write_register,
    8: _loopback,
    15: _write_coils,
    16: _write_registers,
    22: _mask_register,
    23: _exchange_registers,
    43: _identify,
}


_READS = {
    1: RegisterTable.COIL,
    2: RegisterTable.DISCRETE_INPUT,
    3: RegisterTable.HOLDING_REGISTER,
    4: RegisterTable.INPUT_REGISTER,
}
_WRITES_ONE = {5: RegisterTable.COIL, 6: RegisterTable.HOLDING_REGISTER}
_WRITES_SEVERAL = {15: RegisterTable.COIL, 16: RegisterTable.HOLDING_REGISTER}


def _beyond_limits(quirks: ModbusLimits, request: bytes) -> int:
    """Return the exception code with which the device refuses a request PDU, 0 when it takes it."""
    function = request[0]
    if function in _WRITES_ONE:
        return 0 if quirks.has_single(_WRITES_ONE[function]) else ILLEGAL_FUNCTION
    count = int.from_bytes(request[3:5], "big")
    if function in _READS:
        return ILLEGAL_VALUE if count > quirks.most_read(_READS[function]) else 0
    if function in _WRITES_SEVERAL:
        table = _WRITES_SEVERAL[function]
        if not quirks.has_several(table):
            return ILLEGAL_FUNCTION
        return ILLEGAL_VALUE if count > quirks.most_written(table) else 0
    return 0
