"""Plans: the fewest requests that read a list of registers, and that write named values, touching no other address.

Pure: knows tables, packed bits, the limits of one request and how many unlisted addresses a device lets a read run
over. Must not know who sends the requests. A read plan is compiled once and used at every sample. No value is ever
split over two requests, because its two halves would be of different moments. Values are written in the order of
their addresses, not in that of the caller.
"""

from __future__ import annotations

import math
import operator
import struct
from collections.abc import Callable, Collection, Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from hilseq.description.registers import Register, RegisterTable, RegisterType, WordOrder
from hilseq.instruments import codec, pdu
from hilseq.instruments.codec import NotEncodable
from hilseq.instruments.translate import DecodeError

#: Named registers in the order of their addresses.
_Sorted = list[tuple[str, Register]]


@dataclass(frozen=True, slots=True)
class Span:
    """One request of a plan: `count` addresses of `table` from `address` on; `request` is its PDU."""

    table: RegisterTable
    address: int
    count: int
    request: bytes


def _longest_unknown(addresses: range, there: Container[int]) -> int:
    """Return how many addresses in a row are not `there`, at the most."""
    run = longest = 0
    for address in addresses:
        run = 0 if address in there else run + 1
        longest = max(longest, run)
    return longest


def _spans(registers: _Sorted, max_gap: int, most: int, there: Container[int] = ()) -> Iterator[_Sorted]:
    """Split sorted registers of one table into the fewest groups that one request can read.

    Taking each group as far as it goes is optimal: a value has at most two addresses, so among those sorted
    by start and end none that follows a value beyond the limit could still have fitted.
    """
    group: _Sorted = []
    start = reached = 0  # first address of the group, last address listed so far in the table
    for name, register in registers:
        too_far = register.last_address - start + 1 > most
        gap = _longest_unknown(range(reached + 1, register.address), there)
        if group and (too_far or gap > max_gap):
            yield group
            group = []
        if not group:
            start = register.address
        reached = max(reached, register.last_address)
        group.append((name, register))
    if group:
        yield group


class _Scaled:
    """Makes values of the raw numbers of several registers at once; a loop takes three times as long."""

    def __init__(self) -> None:
        self._names: list[str] = []
        self._scales: list[float] = []
        self._offsets: list[float] = []

    def add(self, name: str, register: Register) -> None:
        self._names.append(name)
        self._scales.append(register.scale)
        self._offsets.append(register.offset)

    def put(self, raws: Iterable[float], values: dict[str, float]) -> None:
        """Put as many values as were added into `values`, from their raw numbers in that order."""
        scaled = map(operator.add, map(operator.mul, raws, self._scales), self._offsets)
        values.update(zip(self._names, scaled, strict=True))


class _Bits:
    """Takes the values of one request to a bit table out of its answer."""

    def __init__(self, group: _Sorted, span: Span) -> None:
        self._count = span.count
        self._places: list[int] = []
        self._scaled = _Scaled()
        for name, register in group:
            self._places.append(register.address - span.address)
            self._scaled.add(name, register)

    def take(self, data: bytes, values: dict[str, float]) -> None:
        bits = codec.bits_of(data, self._count)
        self._scaled.put([bits[place] for place in self._places], values)


class _Words:
    """Takes the values of one request to a register table out of its answer.

    Values that follow one another without overlap come out of one struct call, a third of the time of one
    by one. The others are cut out by slices: packed bits, low word first, and what overlaps.
    """

    def __init__(self, group: _Sorted, span: Span) -> None:
        code, at = ">", span.address
        self._together, self._bits, self._apart = _Scaled(), _Scaled(), _Scaled()
        self._places: list[tuple[int, int]] = []
        self._cuts: list[tuple[struct.Struct, slice, slice]] = []
        self._floats: list[str] = []
        for name, register in group:
            kind = register.kind
            start = 2 * (register.address - span.address)
            if register.kind is RegisterType.FLOAT32:
                self._floats.append(name)
            if register.bit is not None:
                self._places.append((start + 1 - register.bit // 8, register.bit % 8))
                self._bits.add(name, register)
                continue
            form = codec.struct_code(kind)
            if kind.width > 1 and register.order is WordOrder.LOW_FIRST:
                first, second = slice(start + 2, start + 4), slice(start, start + 2)
                self._cuts.append((struct.Struct(f">{form}"), first, second))
                self._apart.add(name, register)
            elif register.address < at:
                whole = slice(start, start + 2 * kind.width)
                self._cuts.append((struct.Struct(f">{form}"), whole, slice(0)))
                self._apart.add(name, register)
            else:
                code += "2x" * (register.address - at) + form
                at = register.last_address + 1
                self._together.add(name, register)
        self._struct = struct.Struct(code + "2x" * (span.address + span.count - at))

    def take(self, data: bytes, values: dict[str, float]) -> None:
        self._together.put(self._struct.unpack(data), values)
        if self._places:
            self._bits.put([data[byte] >> shift & 1 for byte, shift in self._places], values)
        if self._cuts:
            self._apart.put(
                [form.unpack(data[first] + data[second])[0] for form, first, second in self._cuts], values
            )
        for name in self._floats:
            if not math.isfinite(values[name]):
                raise DecodeError(f"{values[name]} in {name!r}: nothing was measured")


class ReadPlan:
    """The requests that read named registers of one device, and how to take their answers apart.

    A read runs over at most `max_gap` addresses in a row of which nothing is known, and over the registers
    `between`, which are not asked for but known to be there. `most` says how many values of a table the device
    takes in one request.
    """

    def __init__(
        self,
        registers: Mapping[str, Register],
        max_gap: int = 0,
        *,
        between: Collection[Register] = (),
        most: Callable[[RegisterTable], int] = pdu.most_read,
    ) -> None:
        self.names = tuple(registers)
        spans: list[Span] = []
        self._takers: list[_Bits | _Words] = []
        self._names_of: list[tuple[str, ...]] = []
        for table in RegisterTable:
            listed = sorted(
                ((name, register) for name, register in registers.items() if register.table is table),
                key=lambda item: (item[1].address, item[1].last_address),
            )
            there = {
                address
                for register in between
                if register.table is table
                for address in range(register.address, register.last_address + 1)
            }
            for group in _spans(listed, max_gap, most(table), there):
                first = group[0][1].address
                count = max(register.last_address for _, register in group) - first + 1
                spans.append(Span(table, first, count, pdu.read_request(table, first, count)))
                self._takers.append((_Bits if table.holds_bits else _Words)(group, spans[-1]))
                self._names_of.append(tuple(name for name, _ in group))
        self.spans = tuple(spans)
        #: The data of the last answer to each request, and what it says: most answers are like the one before.
        self._taken: list[tuple[bytes, dict[str, float]]] = [(b"", {}) for _ in spans]

    def names_in(self, index: int) -> tuple[str, ...]:
        """Return the names that request `index` reads."""
        return self._names_of[index]

    def take(self, index: int, data: bytes, values: dict[str, float]) -> None:
        """Put the values in the answer's data to request `index` into `values`. Raises DecodeError."""
        last, said = self._taken[index]
        if data != last:
            said = {}
            self._takers[index].take(data, said)
            self._taken[index] = data, said
        values.update(said)

    def decode(self, answers: Sequence[bytes]) -> dict[str, float]:
        """Return all values from the data of all answers, in the order of the names. Raises DecodeError."""
        values: dict[str, float] = {}
        for index, data in enumerate(answers):
            self.take(index, data, values)
        return {name: values[name] for name in self.names}


_WHOLE = 0xFFFF


@dataclass(slots=True)
class Run:
    """Values of one request: `words` of `table` from `address` on; in each word the bits of its mask count.

    A register of which only some bits are written has to be read before.
    """

    table: RegisterTable
    address: int
    words: list[int] = field(default_factory=list)
    masks: list[int] = field(default_factory=list)

    @property
    def partial(self) -> bool:
        """Return whether some register is written in part only."""
        return not self.table.holds_bits and any(mask != _WHOLE for mask in self.masks)

    def filled(self, old: list[int]) -> list[int]:
        """Return the words to write, the bits that do not count taken from what was read before."""
        return [was & ~mask | word for was, word, mask in zip(old, self.words, self.masks, strict=True)]

    def wrong(self, back: list[int]) -> list[int]:
        """Return the addresses that read back otherwise than written."""
        pairs = enumerate(zip(self.words, back, self.masks, strict=True))
        return [self.address + place for place, (word, seen, mask) in pairs if word != seen & mask]


def plan_writes(
    items: Mapping[str, tuple[Register, list[int]]], most: Callable[[RegisterTable], int] = pdu.most_written
) -> list[Run]:
    """Return the runs that write encoded values; adjacent addresses are merged, gaps are not run over.

    `items` maps names to registers and what `codec.encode` returned. `most` says how many values of
    a table one request may hold; words of one value are never parted. Raises NotEncodable when two names want
    different things of one address.
    """
    runs: list[Run] = []
    for table in RegisterTable:
        cells: dict[int, tuple[int, int]] = {}
        joined: set[int] = set()  # addresses that must not be parted from the one before
        for name, (register, words) in items.items():
            if register.table is table:
                _place(name, register, words, cells)
                joined.update(range(register.address + 1, register.address + len(words)))
        runs += _runs(table, cells, joined, most(table))
    return runs


def _place(name: str, register: Register, words: list[int], cells: dict[int, tuple[int, int]]) -> None:
    for place, word in enumerate(words):
        address = register.address + place
        if register.bit is not None:
            mask, value = 1 << register.bit, word << register.bit
        else:
            mask, value = (1 if register.kind is RegisterType.BIT else _WHOLE), word
        old_mask, old_value = cells.get(address, (0, 0))
        if (old_value ^ value) & old_mask & mask:
            raise NotEncodable(f"{name!r} and another value differ about {register.table} {address}")
        cells[address] = (old_mask | mask, old_value | value)


def _runs(
    table: RegisterTable, cells: dict[int, tuple[int, int]], joined: set[int], most: int
) -> Iterator[Run]:
    run: Run | None = None
    for address in sorted(cells):
        full = run is not None and len(run.words) + 1 + (address + 1 in joined) > most
        apart = run is not None and address != run.address + len(run.words)
        if run is None or apart or (full and address not in joined):
            if run is not None:
                yield run
            run = Run(table, address)
        mask, value = cells[address]
        run.words.append(value)
        run.masks.append(mask)
    if run is not None:
        yield run
