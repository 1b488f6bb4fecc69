"""What a unit keeps: its fault table (read, decode, clear), and its reference configuration (load, compare)."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from typing import TypeAlias

from hilseq.clock import Clock, nothing
from hilseq.description.profile import Configuration, FaultTable
from hilseq.description.registers import RegisterTable, WordOrder
from hilseq.errors import UnitFault
from hilseq.instruments.protocols import UnitLink
from hilseq.journal.entries import StoredFault
from hilseq.statements import compared

#: Time the unit is given to clear its table, s.
CLEAR_TIME = 0.2
#: Code, place and the unit's own time of an entry: what tells it from another.
Key: TypeAlias = tuple[int, str, float | None]


def decode(words: list[int], table: FaultTable) -> list[StoredFault]:
    """Return the faults held in the raw `words` of a whole table, in the order of the table."""
    faults = []
    for start in range(0, len(words) - table.words + 1, table.words):
        record = words[start : start + table.words]
        code = record[table.code]
        if code == 0:
            continue
        known = table.codes.get(code)
        number = record[table.place] if table.place is not None else None
        place = "not stated" if number is None else table.places.get(number, f"place {number}")
        time = None if table.time is None else _time(record[table.time : table.time + 2], table.time_order)
        faults.append(
            StoredFault(
                code=code,
                place=place,
                time=time,
                meaning=known.meaning if known else "a code that the profile does not know",
                cause=known.cause if known else "not stated",
                remedy=known.remedy if known else "see the maker's manual",
                routine=known is not None and known.routine,
            )
        )
    return faults


def _time(words: list[int], order: WordOrder) -> float:
    high, low = words if order is WordOrder.HIGH_FIRST else reversed(words)
    return float(high << 16 | low)


def unusual(stored: Iterable[StoredFault]) -> list[StoredFault]:
    """Return the faults that a healthy unit does not store."""
    return [fault for fault in stored if not fault.routine]


def counted(stored: Iterable[StoredFault]) -> Counter[Key]:
    """Return how often each entry stands in a table."""
    return Counter((fault.code, fault.place, fault.time) for fault in stored)


def added(known: Counter[Key], stored: Iterable[StoredFault]) -> list[StoredFault]:
    """Return what stands in a table and is not among what is known of it, in its order."""
    left = known.copy()
    found = []
    for fault in stored:
        key = (fault.code, fault.place, fault.time)
        if left[key] > 0:
            left[key] -= 1
        else:
            found.append(fault)
    return found


def new_faults(known: Iterable[StoredFault], stored: Iterable[StoredFault]) -> list[StoredFault]:
    """Return the faults that came since `known` was read and are none of a healthy unit."""
    return unusual(added(counted(known), stored))


class Faults:
    """The fault table of one unit."""

    def __init__(
        self, table: FaultTable, link: UnitLink, clock: Clock, counts: list[tuple[int, float]]
    ) -> None:
        self._table = table
        self._link = link
        self._clock = clock
        #: How many faults the table held, and what the counter said, each time they were compared.
        self._counts = counts

    @property
    def clearable(self) -> bool:
        """Return whether the table can be cleared over the link."""
        return self._table.clear is not None

    def read(self) -> list[StoredFault]:
        """Read and decode the whole table, every record in one piece: a new one would tear it."""
        table, first = self._table, self._table.table
        length = table.entries * table.words
        return decode(
            self._link.read_block(first.table, first.address, length, whole=table.words),
            table,
        )

    def assert_counted(self, stored: Sequence[StoredFault]) -> None:
        """Hold the unit's own counter against a table that was just read; nothing where it has none.

        It counts what is in the table, or all that ever was: never less than the table holds, and more when that has
        grown. Raises UnitFault.
        """
        if self._table.count is None:
            return
        compared()
        held, count = len(stored), self._link.read(self._table.count)
        words = f"the unit counts {count:g} stored faults, its table holds {held}"
        if count < held:
            raise UnitFault(words, place="stored faults")
        for fewer, before in self._counts:
            if fewer < held and count == before:
                raise UnitFault(f"{words}, and counted as many when it held {fewer}", place="stored faults")
        self._counts.append((held, count))

    def clear(self) -> None:
        """Clear the table where it can be. Read it first: it is the history of the unit."""
        register = self._table.clear
        if register is None:
            return
        if register.table is RegisterTable.COIL:
            self._link.write_block(register.table, register.address, [1 if self._table.clear_value else 0])
        else:
            self._link.write(register, self._table.clear_value, verify=False)
        self._clock.sleep(CLEAR_TIME)


#: Distance of the numbers that are written into neighbouring words: odd, so that no two of 65536 are equal.
_APART = 0x0101


def checksum(content: list[int]) -> int:
    """Return the CRC-16/MODBUS of the words, each high byte first.

    Initial value 0xFFFF, reflected polynomial 0xA001 (MODBUS over Serial Line V1.02, 6.2.2).
    """
    from pymodbus.framer.rtu import FramerRTU

    raw = b"".join(word.to_bytes(2, "big") for word in content)
    # The library returns the two bytes in the order they are sent, low byte first.
    sent = FramerRTU.compute_CRC(raw)
    return (sent & 0xFF) << 8 | sent >> 8


class ConfigurationMemory:
    """The configuration of one unit."""

    def __init__(
        self,
        description: Configuration,
        link: UnitLink,
        clock: Clock,
        loaded: Callable[[], None] = nothing,
        misread: Counter[str] | None = None,
    ) -> None:
        self._description = description
        self._link = link
        self._clock = clock
        #: Called when the reference is about to be loaded.
        self._loaded = loaded
        #: By place: how often it was read wrong over the link, and right when it was read again at once.
        self._misread: Counter[str] = Counter() if misread is None else misread

    @property
    def complement(self) -> list[int]:
        """The reference with every bit at its other value."""
        return [word ^ 0xFFFF for word in self._description.content]

    def assert_takes_any_content(self) -> None:
        """Write other contents into the words and compare each, then load the reference. Raises UnitFault.

        The complement of the reference shows bits that stand; a number of its own in each word, and its complement,
        show words that are another's, as by an address line. A word that is written to another as well shows only when
        that one was written before it: so the last content is written from the last word to the first.
        """
        numbers = [_APART * (index + 1) & 0xFFFF for index in range(len(self._description.content))]
        first = self._description.first
        try:
            for content in (self.complement, numbers):
                self._link.write_block(first.table, first.address, content)
                self.compare(content)
            content = [word ^ 0xFFFF for word in numbers]
            for index in reversed(range(len(content))):
                self._link.write_block(first.table, first.address + index, content[index : index + 1])
            self.compare(content)
        finally:
            self.load()

    def load(self, content: Sequence[int] | None = None) -> None:
        """Write the reference, or another content, and have the unit store it. Raises UnitFault when it refuses."""
        first = self._description.first
        self._loaded()
        self._link.write_block(
            first.table, first.address, list(self._description.content if content is None else content)
        )
        if self._description.store is not None:
            self._link.write(self._description.store, self._description.store_value, verify=False)
            self._clock.sleep(self._description.store_time)

    def read(self) -> list[int]:
        """Return what the unit holds, word by word."""
        first = self._description.first
        return self._link.read_block(first.table, first.address, len(self._description.content))

    def compare(self, content: Sequence[int] | None = None) -> None:
        """Compare content and checksum with the reference, or another content that was written.

        Raises UnitFault naming the first difference.
        """
        compared()
        held, reference = self.read(), list(self._description.content if content is None else content)
        if held != reference and (again := self.read()) == reference:
            self._misread["configuration"] += 1
            held = again
        wrong = [index for index, pair in enumerate(zip(held, reference, strict=True)) if pair[0] != pair[1]]
        if wrong:
            index = wrong[0]
            raise UnitFault(
                f"the configuration read back differs in {len(wrong)} of {len(reference)} words, first at word "
                f"{index}: 0x{held[index]:04X} instead of 0x{reference[index]:04X}",
                place="configuration",
            )
        register = self._description.checksum
        if register is None:
            return
        reported, computed = int(self._link.read(register)), checksum(reference)
        if reported != computed:
            raise UnitFault(
                f"the content is right but the unit's checksum is 0x{reported:04X} instead of 0x{computed:04X}",
                place="configuration",
            )
