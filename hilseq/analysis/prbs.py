"""Pseudo-random bit sequences of ITU-T O.150: a source of bits, and a receiver that counts errors.

Clauses, taps and inversion of O.150 (05/96) as tabulated by the Rust crate `comnum-mapping` 0.3.1; the
Recommendation itself was not read. A sequence with taps (n, m) obeys b[i] = b[i-n] xor b[i-m] before
inversion. Bits are kept in Python ints, first bit lowest: a million bits are made by a few dozen shifts,
because over GF(2) the same law holds with both taps doubled.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

#: Errors are counted in windows of this many bits, so that a lost or doubled byte spoils no more.
WINDOW = 256
#: A quarter of a window wrong is no noisy line (that gives few) but a slip (that gives half).
SLIP_ERRORS = WINDOW // 4
#: Bits after the seed that must agree before alignment is believed: chance alone gives 2**-32.
_AGREEING = 32
#: So few errors in a window that is not full yet are errors, whatever their share.
_FEW_ERRORS = 8
#: Bytes worked on at once: shifting an int costs its length.
_PIECE = 4096


class BitOrder(Enum):
    """Which bit of a byte is first on the line."""

    LOWEST_FIRST = "lowest first"  # as every UART sends
    HIGHEST_FIRST = "highest first"  # as sequences are printed


@dataclass(frozen=True, slots=True)
class Sequence:
    """One maximal-length sequence: its register length, second tap, inversion and clause of O.150."""

    name: str
    length: int
    tap: int
    inverted: bool
    clause: str

    @property
    def period(self) -> int:
        """Bits before the sequence repeats."""
        return (1 << self.length) - 1


PRBS9 = Sequence("2^9-1", 9, 5, inverted=False, clause="5.1")
PRBS11 = Sequence("2^11-1", 11, 9, inverted=False, clause="5.2")
PRBS15 = Sequence("2^15-1", 15, 14, inverted=True, clause="5.3")
PRBS20 = Sequence("2^20-1", 20, 3, inverted=False, clause="5.4")
PRBS23 = Sequence("2^23-1", 23, 18, inverted=True, clause="5.6")
PRBS31 = Sequence("2^31-1", 31, 28, inverted=True, clause="5.8")
SEQUENCES = {known.name: known for known in (PRBS9, PRBS11, PRBS15, PRBS20, PRBS23, PRBS31)}


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


class Source:
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
        return Source(self.sequence, self._register).bits(count)

    def octets(self, count: int, order: BitOrder = BitOrder.LOWEST_FIRST) -> bytes:
        """Return the next 8 * `count` bits as bytes."""
        return _ordered(self.bits(8 * count).to_bytes(count, "little"), order)


_REVERSED = bytes(int(f"{octet:08b}"[::-1], 2) for octet in range(256))


def _ordered(octets: bytes, order: BitOrder) -> bytes:
    return octets if order is BitOrder.LOWEST_FIRST else octets.translate(_REVERSED)


@dataclass(frozen=True, slots=True)
class Count:
    """What a receiver has seen, in bits: compared, wrong, not compared for want of alignment; and slips."""

    compared: int
    errors: int
    unaligned: int
    slips: int
    aligned: bool


def _runs(mask: int, width: int) -> int:
    """Return the bits i of `mask` at which bits i to i + width - 1 are all set."""
    done = 1
    while done < width:
        step = min(done, width - done)
        mask &= mask >> step
        done += step
    return mask


class Receiver:
    """Aligns itself to a sequence, at any bit, and counts errors; after a slip it aligns again.

    The two windows around a slip count as unaligned, not as errors. A line that stays at one level never
    aligns: its register would be all zero, or its bits break the law.
    """

    __slots__ = (
        "_compared",
        "_errors",
        "_last_errors",
        "_order",
        "_slips",
        "_source",
        "_unaligned",
        "_waiting",
        "_waiting_bits",
        "sequence",
    )

    def __init__(self, sequence: Sequence, order: BitOrder = BitOrder.LOWEST_FIRST) -> None:
        self.sequence = sequence
        self._order = order
        self._source: Source | None = None
        self._waiting = self._waiting_bits = 0
        self._compared = self._errors = self._unaligned = self._slips = 0
        self._last_errors: int | None = None  # of the window before, while it may still turn out slipped

    def feed(self, octets: bytes) -> None:
        """Take received bytes, in pieces of any size."""
        for start in range(0, len(octets), _PIECE):
            piece = _ordered(octets[start : start + _PIECE], self._order)
            self._waiting |= int.from_bytes(piece, "little") << self._waiting_bits
            self._waiting_bits += 8 * len(piece)
            while self._align() if self._source is None else self._compare(self._source):
                pass

    def count(self) -> Count:
        """Return the count so far, with the bits of the window that is not full yet."""
        waiting, errors = self._waiting_bits, 0
        compared = 0
        if self._source is not None:
            errors = (self._source.peek(waiting) ^ self._waiting).bit_count()
            slipped = errors > _FEW_ERRORS and errors * WINDOW > waiting * SLIP_ERRORS
            compared, errors = (0, 0) if slipped else (waiting, errors)
        return Count(
            compared=self._compared + compared,
            errors=self._errors + errors,
            unaligned=self._unaligned + waiting - compared,
            slips=self._slips,
            aligned=self._source is not None,
        )

    def _drop(self, bits: int) -> None:
        self._waiting >>= bits
        self._waiting_bits -= bits

    def _align(self) -> bool:
        """Find a register followed by bits that obey the law; False when more bits are needed."""
        length, tap = self.sequence.length, self.sequence.tap
        starts = self._waiting_bits - length - _AGREEING + 1
        if starts <= 0:
            return False
        every = _ones(self._waiting_bits)
        raw = self._waiting ^ (every if self.sequence.inverted else 0)
        # Bit i is set where bit i + length obeys the law; then where the bits after it do as well.
        lawful = ~(raw ^ (raw >> (length - tap)) ^ (raw >> length)) & _ones(self._waiting_bits - length)
        found = _runs(lawful, _AGREEING) & ~_runs(~raw & every, length)
        start = (found & -found).bit_length() - 1 if found else starts
        self._unaligned += start
        self._drop(start)
        if found:
            self._source = Source(self.sequence, (raw >> start) & _ones(length))
            self._last_errors = None
        return bool(found)

    def _compare(self, source: Source) -> bool:
        """Compare one window; False when it is not full yet."""
        if self._waiting_bits < WINDOW:
            return False
        errors = (source.bits(WINDOW) ^ (self._waiting & _ones(WINDOW))).bit_count()
        self._drop(WINDOW)
        if errors <= SLIP_ERRORS:
            self._compared += WINDOW
            self._errors += errors
            self._last_errors = errors
            return True
        self._slips += 1
        self._unaligned += WINDOW
        if self._last_errors is not None:
            self._compared -= WINDOW
            self._errors -= self._last_errors
            self._unaligned += WINDOW
        self._source = None
        return True
