"""A write plan: the fewest requests that write a set of named values, none of them touching another address.

Pure: knows tables, packed bits and the limits of one request. Must not know who sends the requests. Values
are written in the order of their addresses, not in that of the caller.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

from hilseq.description.registers import Register, RegisterType, Table
from hilseq.instruments import pdu
from hilseq.instruments.codec import NotEncodable

_WHOLE = 0xFFFF


@dataclass(slots=True)
class Run:
    """Values of one request: `words` of `table` from `address` on; in each word the bits of its mask count.

    A register of which only some bits are written has to be read before.
    """

    table: Table
    address: int
    words: list[int] = field(default_factory=list)
    masks: list[int] = field(default_factory=list)

    @property
    def partial(self) -> bool:
        """Tell whether some register is written in part only."""
        return not self.table.holds_bits and any(mask != _WHOLE for mask in self.masks)

    def filled(self, old: list[int]) -> list[int]:
        """Return the words to write, the bits that do not count taken from what was read before."""
        return [was & ~mask | word for was, word, mask in zip(old, self.words, self.masks, strict=True)]

    def wrong(self, back: list[int]) -> list[int]:
        """Return the addresses that read back otherwise than written."""
        pairs = enumerate(zip(self.words, back, self.masks, strict=True))
        return [self.address + place for place, (word, seen, mask) in pairs if word != seen & mask]


def plan_writes(
    items: Mapping[str, tuple[Register, list[int]]], most: Callable[[Table], int] = pdu.most_written
) -> list[Run]:
    """Return the runs that write encoded values; adjacent addresses are merged, gaps are not run over.

    `items` maps names to registers and what `codec.encode` returned. `most` says how many values of
    a table one request may hold; words of one value are never parted. Raises NotEncodable when two names want
    different things of one address.
    """
    runs: list[Run] = []
    for table in Table:
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


def _runs(table: Table, cells: dict[int, tuple[int, int]], joined: set[int], most: int) -> Iterator[Run]:
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
