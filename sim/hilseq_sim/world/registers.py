"""Registers: addresses turned once into readers and writers, so that a reading costs little.

A value of one address has one reader. A 32-bit value has two that share one reading when both are asked for;
bits packed into a register are gathered into one word.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable

from hilseq.description.registers import Register, RegisterTable, RegisterType, WordOrder
from hilseq_sim.views import ModbusRefusal
from hilseq_sim.world.timeline import Timeline

Reader = Callable[[], int]
#: Takes a raw word or bit.
Writer = Callable[[int], None]
Value = Callable[[], float]
Setter = Callable[[float], None]

ILLEGAL_ADDRESS = 2
_RANGES = {
    RegisterType.UINT16: (0, 0xFFFF),
    RegisterType.INT16: (-0x8000, 0x7FFF),
    RegisterType.UINT32: (0, 0xFFFFFFFF),
    RegisterType.INT32: (-0x80000000, 0x7FFFFFFF),
}
_WORD = 0xFFFF
_FLOAT_MOST = 3.4028234e38


def to_raw(register: Register, value: float) -> int:
    """Return the number that stands for a value, as one integer; the end of the range where it overflows."""
    raw = (value - register.offset) / register.scale
    kind = register.kind
    if kind is RegisterType.BIT:
        return 1 if raw >= 0.5 else 0  # noqa: PLR2004
    if kind is RegisterType.FLOAT32:
        packed = struct.pack(">f", max(-_FLOAT_MOST, min(_FLOAT_MOST, raw)))
        return int.from_bytes(packed, "big")
    low, high = _RANGES[kind]
    number = round(max(float(low), min(float(high), raw)))
    return number & (0xFFFFFFFF if kind.width > 1 else _WORD)


def from_raw(register: Register, raw: int) -> float:
    """Return the value that a number stands for."""
    kind = register.kind
    number: float = raw
    if kind is RegisterType.FLOAT32:
        number = struct.unpack(">f", raw.to_bytes(4, "big"))[0]
    elif kind is RegisterType.INT16 and raw > 0x7FFF:  # noqa: PLR2004
        number = raw - 0x10000
    elif kind is RegisterType.INT32 and raw > 0x7FFFFFFF:  # noqa: PLR2004
        number = raw - 0x100000000
    return number * register.scale + register.offset


class _WideReader:
    """Reads a 32-bit value once for both of its words."""

    def __init__(self, register: Register, value: Value) -> None:
        self._register = register
        self._value = value
        self._second: int | None = None
        self._high_first = register.order is WordOrder.HIGH_FIRST

    def _words(self) -> tuple[int, int]:
        raw = to_raw(self._register, self._value())
        high, low = raw >> 16, raw & _WORD
        return (high, low) if self._high_first else (low, high)

    def first(self) -> int:
        first, self._second = self._words()
        return first

    def second(self) -> int:
        if self._second is None:
            return self._words()[1]
        second, self._second = self._second, None
        return second


class _WideWriter:
    """Gathers both words of a 32-bit value; the value is taken when the second word comes."""

    def __init__(self, register: Register, setter: Setter) -> None:
        self._register = register
        self._setter = setter
        self._words = [0, 0]
        self._high_first = register.order is WordOrder.HIGH_FIRST

    def first(self, word: int) -> None:
        self._words[0] = word

    def second(self, word: int) -> None:
        self._words[1] = word
        first, second = self._words
        high, low = (first, second) if self._high_first else (second, first)
        self._setter(from_raw(self._register, high << 16 | low))


def _narrow_reader(register: Register, value: Value) -> Reader:
    """Return the quickest reader of a one-word value."""
    kind, scale, offset = register.kind, register.scale, register.offset
    if kind is RegisterType.BIT:
        if scale == 1.0 and offset == 0.0:
            return lambda: 1 if value() >= 0.5 else 0  # noqa: PLR2004
        return lambda: to_raw(register, value())
    low, high = _RANGES[kind]
    inverse = 1.0 / scale

    def read() -> int:
        number = round((value() - offset) * inverse)
        if low <= number <= high:
            return number & _WORD
        return (low if number < low else high) & _WORD

    return read


class _PackedWord:
    """Bits packed into one register."""

    def __init__(self) -> None:
        self._reads: list[tuple[int, Reader]] = []
        self._writes: list[tuple[int, Writer]] = []

    def add(self, bit: int, read: Reader, write: Writer | None) -> None:
        self._reads.append((1 << bit, read))
        if write is not None:
            self._writes.append((bit, write))

    def gather(self) -> int:
        word = 0
        for mask, read in self._reads:
            if read():
                word |= mask
        return word

    def spread(self, word: int) -> None:
        for bit, write in self._writes:
            write(word >> bit & 1)


class RegisterMap:
    """The four tables of one device.

    `gaps` is how many addresses beyond a listed one read as 0; 0 refuses every unlisted address.
    """

    def __init__(self, *, gaps: int = 0, timeline: Timeline) -> None:
        self._gaps = gaps
        self._timeline = timeline
        self._readers: dict[RegisterTable, list[Reader | None]] = {table: [] for table in RegisterTable}
        self._writers: dict[RegisterTable, dict[int, Writer]] = {table: {} for table in RegisterTable}
        self._bits: dict[tuple[RegisterTable, int], _PackedWord] = {}
        self._guards: dict[RegisterTable, dict[int, Callable[[int], None]]] = {
            table: {} for table in RegisterTable
        }
        self._taps: dict[tuple[RegisterTable, int], list[Callable[[int], int]]] = {}

    # -- building ----------------------------------------------------------------------------------

    def add_value(self, register: Register, value: Value, setter: Setter | None = None) -> None:
        """Put a value where its register is; without a setter it cannot be written."""
        table, address = register.table, register.address
        if register.bit is not None:
            self._add_bit(register, _narrow_reader(register, value), setter)
        elif register.kind.width > 1:
            wide = _WideReader(register, value)
            self.add_word(table, address, wide.first)
            self.add_word(table, address + 1, wide.second)
            if setter is not None:
                writer = _WideWriter(register, setter)
                self._writers[table][address] = writer.first
                self._writers[table][address + 1] = writer.second
        else:
            write: Writer | None = None
            if setter is not None:
                keep = setter
                write = lambda raw: keep(from_raw(register, raw))  # noqa: E731 - one of two, chosen here
            self.add_word(table, address, _narrow_reader(register, value), write)

    def add_flag(self, register: Register, flag: Callable[[], bool]) -> None:
        """Put something that is or is not where its register is; it cannot be written."""
        as_it_is = register.kind is RegisterType.BIT and register.scale == 1.0 and register.offset == 0.0
        read: Reader = flag if as_it_is else _narrow_reader(register, flag)
        if register.bit is not None:
            self._add_bit(register, read, None)
        else:
            self.add_word(register.table, register.address, read)

    def add_word(self, table: RegisterTable, address: int, read: Reader, write: Writer | None = None) -> None:
        """Put raw words (or bits) at an address."""
        readers = self._readers[table]
        readers.extend([None] * (address + 1 - len(readers)))
        readers[address] = read
        if write is not None and table.writable:
            self._writers[table][address] = write

    def guard(self, table: RegisterTable, address: int, check: Callable[[int], None]) -> None:
        """Have `check` see each raw value before anything is written; it may raise ModbusRefusal."""
        self._guards[table][address] = check

    def _add_bit(self, register: Register, read: Reader, setter: Setter | None) -> None:
        key = (register.table, register.address)
        if key not in self._bits:
            self._bits[key] = _PackedWord()
            self.add_word(*key, self._bits[key].gather)
        write: Writer | None = None
        if setter is not None:
            keep = setter
            write = lambda raw: keep(from_raw(register, raw))  # noqa: E731 - as above
            self._writers[register.table][register.address] = self._bits[key].spread
        self._bits[key].add(register.bit or 0, read, write)

    def seal(self) -> None:
        """Fill the gaps that the device answers with 0; nothing is added afterwards."""
        if not self._gaps:
            return
        for readers in self._readers.values():
            readers.extend([None] * self._gaps if readers else [])
            last = -self._gaps - 1
            for address, reader in enumerate(list(readers)):
                if reader is not None:
                    last = address
                elif address - last <= self._gaps:
                    readers[address] = _zero

    def taps(self, table: RegisterTable, address: int) -> list[Callable[[int], int]]:
        """Return what stands between an address and whoever reads it, one behind the other: defects."""
        key = (table, address)
        if key not in self._taps:
            seen_by = self._taps[key] = []
            readers = self._readers[table]
            untapped = readers[address]
            assert untapped is not None

            def read() -> int:
                word = untapped()
                for see in seen_by:
                    word = see(word)
                return word

            readers[address] = read
        return self._taps[key]

    # -- serving -----------------------------------------------------------------------------------

    def read(self, table: RegisterTable, address: int, count: int) -> list[int]:
        """Raw bits or words. Raises ModbusRefusal for an address that is not there."""
        part = self._readers[table][address : address + count]
        if len(part) < count or None in part:
            raise ModbusRefusal(ILLEGAL_ADDRESS)
        return [read() for read in part]  # type: ignore[misc] # None was looked for

    def write(self, table: RegisterTable, address: int, values: list[int]) -> None:
        """Write raw bits or words, all or none. Raises ModbusRefusal."""
        writers = self._writers[table]
        targets = [writers.get(address + index) for index in range(len(values))]
        if None in targets:
            raise ModbusRefusal(ILLEGAL_ADDRESS)
        guards = self._guards[table]
        for index, value in enumerate(values):
            check = guards.get(address + index)
            if check is not None:
                check(value)
        self._timeline.changing()
        for write, value in zip(targets, values, strict=True):
            if write is not None:
                write(value)

    def addresses(self) -> Iterable[tuple[RegisterTable, int]]:
        """Yield every address that can be read."""
        for table, readers in self._readers.items():
            yield from ((table, address) for address, reader in enumerate(readers) if reader is not None)


def _zero() -> int:
    return 0
