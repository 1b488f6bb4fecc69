"""The fault table's words become faults: the order of a time's registers is that of the profile."""

from __future__ import annotations

import pytest

from hilseq.description.profile import FaultTable
from hilseq.journal.entries import StoredFault
from hilseq.procedures.baseline import KnownFaults
from hilseq.procedures.memory import decode


@pytest.mark.parametrize(
    ("order", "words"),
    [
        ({}, [0x21, 5, 0x0001, 0x86A0]),
        ({"time-order": "high first"}, [0x21, 5, 0x0001, 0x86A0]),
        ({"time-order": "low first"}, [0x21, 5, 0x86A0, 0x0001]),
    ],
)
def test_a_time_of_two_registers(order: dict[str, str], words: list[int]) -> None:
    """100,000 s are 0x000186A0, whichever register holds the high word."""
    table = {"table": "input register", "address": 100}
    described = {
        "table": table,
        "entries": 2,
        "words": 4,
        "time": 2,
        "codes": {0x21: {"meaning": "overload"}},
    }
    (fault,) = decode(words + [0] * 4, FaultTable.model_validate(described | order))
    assert (fault.code, fault.time) == (0x21, 100_000.0)


def test_what_the_stand_provoked_is_distinguished_from_what_is_new() -> None:
    """Of a table that was empty: what was accounted for is the stand's, what came since is not, nor what was blamed."""
    provoked, blamed, new = (
        StoredFault(code=code, place="head", time=1.0, meaning="", cause="", remedy="")
        for code in (0x31, 0x21, 0x11)
    )
    known = KnownFaults()
    assert known.accounted([provoked]) == []  # nobody has looked before
    known.learn([])
    known.add([provoked, blamed])
    known.tell([blamed])
    assert known.accounted([provoked, blamed, new]) == [provoked]
