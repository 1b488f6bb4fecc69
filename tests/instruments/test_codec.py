"""Numbers into registers and back: every type, both word orders, scaling, packed bits, and no silent loss."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilseq.description.registers import Register
from hilseq.instruments import codec
from hilseq.instruments.codec import NotEncodable
from hilseq.instruments.translate import DecodeError


def register(**fields: Any) -> Register:
    return Register.model_validate({"table": "holding register", "address": 10} | fields)


FIXED = [
    ({}, [0xFFFF], 65535),
    ({"type": "int16"}, [0xFFFF], -1),
    ({"type": "int16"}, [0x8000], -32768),
    ({"type": "uint32"}, [0x0001, 0x0002], 65538),
    ({"type": "uint32", "order": "low first"}, [0x0002, 0x0001], 65538),
    ({"type": "int32"}, [0xFFFF, 0xFFFE], -2),
    ({"type": "int32", "order": "low first"}, [0xFFFE, 0xFFFF], -2),
    ({"type": "float32"}, [0x41C0, 0x0000], 24.0),  # IEEE 754: 24.0 is 0x41C00000
    ({"type": "float32", "order": "low first"}, [0x0000, 0x41C0], 24.0),
    ({"scale": 0.01}, [2400], 24.0),
    ({"scale": 0.1, "offset": -50.0, "unit": "degC"}, [1250], 75.0),
    ({"type": "int16", "scale": -0.5}, [0xFFFF], 0.5),
]


@pytest.mark.parametrize(("fields", "words", "value"), FIXED)
def test_known_words(fields: dict[str, Any], words: list[int], value: float) -> None:
    """Worked by hand, both ways."""
    assert codec.decode(register(**fields), words) == pytest.approx(value)
    assert codec.encode(register(**fields), value) == words


def test_bits() -> None:
    """A coil is its own bit; a packed bit is one of sixteen, 0 the lowest."""
    assert codec.decode(register(table="coil"), [1]) == 1.0
    assert codec.encode(register(table="coil"), 1.0) == [1]
    assert [codec.decode(register(bit=bit), [0b1000_0000_0000_0100]) for bit in (2, 3, 15)] == [1.0, 0.0, 1.0]
    inverted = register(table="coil", scale=-1.0, offset=1.0)
    assert codec.encode(inverted, 1.0) == [0]
    assert codec.decode(inverted, [0]) == 1.0


raw_types = st.sampled_from(["uint16", "int16", "uint32", "int32"])
orders = st.sampled_from(["high first", "low first"])
scales = st.sampled_from([1.0, 0.1, 0.01, 0.001, -0.5, 3.0, 1e6])
offsets = st.sampled_from([0.0, -50.0, 4.0])


@given(raw_types, orders, scales, offsets, st.data())
def test_every_integer_survives(
    kind: str, order: str, scale: float, offset: float, data: st.DataObject
) -> None:
    """Whatever words a device holds, writing what was read writes the same words."""
    item = register(type=kind, order=order, scale=scale, offset=offset)
    words = data.draw(st.lists(st.integers(0, 0xFFFF), min_size=item.kind.width, max_size=item.kind.width))
    assert codec.encode(item, codec.decode(item, words)) == words


@given(st.floats(width=32, allow_nan=False, allow_infinity=False), orders)
def test_every_float_survives(value: float, order: str) -> None:
    """A float32 goes there and back exactly."""
    item = register(type="float32", order=order)
    back = codec.decode(item, codec.encode(item, value))
    assert back == value


@given(raw_types, scales, offsets, st.floats(-1e7, 1e7))
def test_what_is_written_lies_within_half_a_step(
    kind: str, scale: float, offset: float, value: float
) -> None:
    """A value is rounded to the nearest the register holds, or refused; never cut or wrapped round."""
    item = register(type=kind, scale=scale, offset=offset)
    try:
        words = codec.encode(item, value)
    except NotEncodable:
        low, high = sorted(codec.decode(item, words) for words in _ends(kind))
        assert not low - item.step / 2 < value < high + item.step / 2
    else:
        assert abs(codec.decode(item, words) - value) <= item.step * 0.5000001


def _ends(kind: str) -> list[list[int]]:
    return {
        "uint16": [[0], [0xFFFF]],
        "int16": [[0x8000], [0x7FFF]],
        "uint32": [[0, 0], [0xFFFF, 0xFFFF]],
        "int32": [[0x8000, 0], [0x7FFF, 0xFFFF]],
    }[kind]


REFUSED = [
    ({}, 65536.0, "65536 does not fit holding register 10 (uint16); expected 0 to 65535"),
    ({}, -1.0, "-1 does not fit"),
    ({"scale": 0.01, "unit": "V"}, 700.0, "700 V does not fit holding register 10 (uint16)"),
    ({"type": "float32"}, 1e39, "1e+39 does not fit holding register 10 (float32)"),
    ({"table": "coil"}, 0.5, "0.5 is no state of coil 10; expected 0 or 1"),
    ({"bit": 3}, 2.0, "2 does not fit"),
    ({}, math.nan, "nan cannot be written"),
    ({"type": "float32"}, math.inf, "inf cannot be written"),
]  # fmt: skip


@pytest.mark.parametrize(("fields", "value", "message"), REFUSED)
def test_what_does_not_fit_is_refused(fields: dict[str, Any], value: float, message: str) -> None:
    """The message says what was asked of which register and what would fit."""
    with pytest.raises(NotEncodable) as caught:
        codec.encode(register(**fields), value)
    assert str(caught.value).startswith(message)


@pytest.mark.parametrize("words", [[0x7FC0, 0], [0x7F80, 0], [0xFF80, 0]])
def test_a_float_that_is_no_number_was_not_measured(words: list[int]) -> None:
    """NaN and infinities of a device are nonsense, not readings."""
    with pytest.raises(DecodeError, match="holding register 10: nothing was measured"):
        codec.decode(register(type="float32"), words)


@given(st.lists(st.integers(0, 1), min_size=1, max_size=2000))
def test_bit_answers(bits: list[int]) -> None:
    """Bits come lowest first, the last byte filled up with zeros (A, 6.1)."""
    data = bytearray((len(bits) + 7) // 8)
    for place, bit in enumerate(bits):
        data[place // 8] |= bit << place % 8
    assert codec.bits_of(bytes(data), len(bits)) == bits
