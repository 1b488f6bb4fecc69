"""Registers into numbers and back.

Pure: knows types, word orders, packed bits and scaling of a `Register`. Must not know where the words come
from. Words are integers from 0 to 65535, bits are 0 or 1.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence

from hilseq.description.registers import Register, RegisterType, WordOrder
from hilseq.instruments.translate import DecodeError

#: type -> (struct code, lowest raw number, highest raw number)
_INTEGERS = {
    RegisterType.BIT: ("", 0, 1),
    RegisterType.UINT16: ("H", 0, 0xFFFF),
    RegisterType.INT16: ("h", -0x8000, 0x7FFF),
    RegisterType.UINT32: ("I", 0, 0xFFFF_FFFF),
    RegisterType.INT32: ("i", -0x8000_0000, 0x7FFF_FFFF),
}
#: How far a raw number may lie from 0 or 1 and still be that bit: the error of undoing a scale.
_BIT_TOLERANCE = 1e-6


class NotEncodable(ValueError):  # noqa: N818 - it says what the value is, like the family in errors.py
    """A value that the register cannot hold."""


def struct_code(kind: RegisterType) -> str:
    """Return the struct code of a 16-bit or 32-bit type."""
    return "f" if kind is RegisterType.FLOAT32 else _INTEGERS[kind][0]


def scaled(register: Register, raw: float) -> float:
    """Return raw number x scale + offset."""
    return raw * register.scale + register.offset


def decode(register: Register, words: Sequence[int]) -> float:
    """Return the value held in the words (or the bit) of a register, in its unit.

    Raises DecodeError for a float32 that is infinite or no number: nothing was measured.
    """
    kind = register.kind
    if register.bit is not None:
        return scaled(register, words[0] >> register.bit & 1)
    if kind is RegisterType.BIT:
        return scaled(register, words[0] & 1)
    if register.order is WordOrder.LOW_FIRST:
        words = words[::-1]
    (raw,) = struct.unpack(f">{struct_code(kind)}", struct.pack(f">{len(words)}H", *words))
    if not math.isfinite(raw):
        raise DecodeError(f"{raw} in {register.table} {register.address}: nothing was measured")
    return scaled(register, raw)


def _raw(register: Register, value: float) -> float:
    if not math.isfinite(value):
        raise NotEncodable(f"{value} cannot be written to {register.table} {register.address}")
    return (value - register.offset) / register.scale


def _shown(register: Register, value: float) -> str:
    return f"{value:g} {register.unit}".rstrip()


def encode(register: Register, value: float) -> list[int]:
    """Return the words (or the one bit) that hold `value`, rounded to the nearest the register can hold.

    For a packed bit the list holds the bit alone. Raises NotEncodable when the value is out of range, so that
    what is written never lies further than half a step from what was asked.
    """
    kind, raw = register.kind, _raw(register, value)
    if kind is RegisterType.FLOAT32:
        words = _encode_float(register, raw, value)
    else:
        number = round(raw)
        _, low, high = _INTEGERS[kind]
        if kind is RegisterType.BIT and abs(raw - number) > _BIT_TOLERANCE:
            raise NotEncodable(
                f"{_shown(register, value)} is no state of {register.table} {register.address}; expected "
                f"{scaled(register, 0):g} or {scaled(register, 1):g}"
            )
        if not low <= number <= high:
            ends = sorted((scaled(register, low), scaled(register, high)))
            raise NotEncodable(
                f"{_shown(register, value)} does not fit {register.table} {register.address} ({kind}); "
                f"expected {ends[0]:g} to {_shown(register, ends[1])}"
            )
        words = [number & 0xFFFF] if kind.width == 1 else [number >> 16 & 0xFFFF, number & 0xFFFF]
    return words[::-1] if register.order is WordOrder.LOW_FIRST else words


def _encode_float(register: Register, raw: float, value: float) -> list[int]:
    try:
        return list(struct.unpack(">2H", struct.pack(">f", raw)))
    except OverflowError:
        raise NotEncodable(
            f"{_shown(register, value)} does not fit {register.table} {register.address} (float32)"
        ) from None


def bits_of(data: bytes, count: int) -> list[int]:
    """Return `count` bits of a Modbus bit answer, the lowest bit of the first byte first."""
    number = int.from_bytes(data, "little")
    text = f"{number:0{len(data) * 8}b}"[::-1]
    return [1 if char == "1" else 0 for char in text[:count]]


def words_of(data: bytes) -> list[int]:
    """Return the registers of a Modbus register answer."""
    return list(struct.unpack(f">{len(data) // 2}H", data))
