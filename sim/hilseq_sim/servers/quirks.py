"""What a simulated Modbus device refuses because its description says that it takes no more.

A device that lacks a function answers exception 01, one that takes less in one request exception 03.
"""

from __future__ import annotations

from hilseq.description.modbus_limits import ModbusLimits
from hilseq.description.registers import Table

ILLEGAL_FUNCTION, ILLEGAL_VALUE = 1, 3
_READS = {1: Table.COIL, 2: Table.DISCRETE_INPUT, 3: Table.HOLDING_REGISTER, 4: Table.INPUT_REGISTER}
_WRITES_ONE = {5: Table.COIL, 6: Table.HOLDING_REGISTER}
_WRITES_SEVERAL = {15: Table.COIL, 16: Table.HOLDING_REGISTER}


def refusal(quirks: ModbusLimits, request: bytes) -> int:
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
