"""Pseudo-random bits for a line, and how long they take on it.

What counted errors prove of its bit error ratio, `counted` says; how many bits a claim takes, `ratio_plans`.

Sequences of ITU-T O.150: clauses, taps and inversion of O.150 (05/96) as tabulated by the Rust crate
`comnum-mapping` 0.3.1; the Recommendation itself was not read. A sequence with taps (n, m) obeys
b[i] = b[i-n] xor b[i-m] before inversion. Bits are kept in Python ints, first bit lowest: a million bits
are made by a few dozen shifts, because over GF(2) the same law holds with both taps doubled.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Frame:
    """One character on an asynchronous line: a start bit, data bits, perhaps a parity bit, stop bits."""

    data_bits: int = 8
    parity: bool = False
    stop_bits: float = 1.0

    def __post_init__(self) -> None:
        if not 5 <= self.data_bits <= 9:  # noqa: PLR2004 - the sizes a UART knows
            raise ValueError(f"{self.data_bits} data bits: expected 5 to 9")
        if self.stop_bits not in {1.0, 1.5, 2.0}:
            raise ValueError(f"{self.stop_bits!r} stop bits: expected 1, 1.5 or 2")

    @property
    def line_bits(self) -> float:
        """Bit times one character takes on the line."""
        return 1 + self.data_bits + self.parity + self.stop_bits


def duration(bits: int, baud: float, frame: Frame | None = None) -> float:
    """Return the seconds that `bits` payload bits take at `baud` bit/s, in characters when framed.

    Without a frame the line carries payload only. A begun character takes its whole time.
    """
    if bits < 0:
        raise ValueError(f"{bits} bits: expected 0 or more")
    if not baud > 0.0:
        raise ValueError(f"a line of {baud!r} bit/s: expected more than 0")
    if frame is None:
        return bits / baud
    return math.ceil(bits / frame.data_bits) * frame.line_bits / baud


@dataclass(frozen=True, slots=True)
class Sequence:
    """One maximal-length sequence: its register length, second tap and inversion."""

    name: str
    length: int
    tap: int
    inverted: bool

    @property
    def period(self) -> int:
        """Bits before the sequence repeats."""
        return (1 << self.length) - 1


PRBS9 = Sequence("2^9-1", 9, 5, inverted=False)  # O.150, 5.1
PRBS15 = Sequence("2^15-1", 15, 14, inverted=True)  # O.150, 5.3


def _ones(count: int) -> int:
    return (1 << count) - 1


def _grown(sequence: Sequence, bits: int, have: int, want: int) -> int:
    """Return the first `want` raw bits, given the first `have` of them (at least one register)."""
    while have < want:
        scale = (have // sequence.length).bit_length() - 1
        step = min(sequence.tap << scale, want - have)
        new = (bits >> (have - (sequence.length << scale))) ^ (bits >> (have - (sequence.tap << scale)))
        bits |= (new & _ones(step)) << have
        have += step
    return bits


class BitSource:
    """Gives the sequence piece by piece; the phase of the start is the register all ones, last stage out."""

    __slots__ = ("_register", "sequence")

    def __init__(self, sequence: Sequence, register: int | None = None) -> None:
        """Start with these next `length` raw bits (before inversion), first bit lowest.

        Raises ValueError for an all-zero register, from which no sequence ever comes.
        """
        self.sequence = sequence
        self._register = _ones(sequence.length) if register is None else register
        if not 0 < self._register <= sequence.period:
            raise ValueError(f"register {register!r}: expected 1 to {sequence.period}")

    def bits(self, count: int) -> int:
        """Return the next `count` bits as an int, the first bit lowest."""
        if count < 0:
            raise ValueError(f"{count} bits: expected 0 or more")
        length = self.sequence.length
        raw = _grown(self.sequence, self._register, length, count + length)
        self._register = raw >> count
        raw &= _ones(count)
        return raw ^ _ones(count) if self.sequence.inverted else raw

    def peek(self, count: int) -> int:
        """Return the next `count` bits without moving on."""
        return BitSource(self.sequence, self._register).bits(count)

    def octets(self, count: int) -> bytes:
        """Return the next 8 * `count` bits as bytes, the first bit of each lowest, as every UART sends it."""
        return self.bits(8 * count).to_bytes(count, "little")
