"""The unit's fault table: read, decode, clear."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import TypeAlias

from hilseq.clock import Clock
from hilseq.description.profile import FaultTable
from hilseq.description.registers import Table, WordOrder
from hilseq.instruments.protocols import UnitLink
from hilseq.journal.entries import StoredFault

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

    def __init__(self, table: FaultTable, link: UnitLink, clock: Clock) -> None:
        self._table = table
        self._link = link
        self._clock = clock

    @property
    def clearable(self) -> bool:
        """Tell whether the table can be cleared over the link."""
        return self._table.clear is not None

    def read(self) -> list[StoredFault]:
        """Read and decode the whole table, every record in one piece: a new one would tear it."""
        table, first = self._table, self._table.table
        length = table.entries * table.words
        return decode(
            self._link.read_block(first.table, first.address, length, whole=table.words),
            table,
        )

    def clear(self) -> None:
        """Clear the table where it can be. Read it first: it is the history of the unit."""
        register = self._table.clear
        if register is None:
            return
        if register.table is Table.COIL:
            self._link.write_block(register.table, register.address, [1 if self._table.clear_value else 0])
        else:
            self._link.write(register, self._table.clear_value, verify=False)
        self._clock.sleep(CLEAR_TIME)
