"""Plans: never more requests than needed, never an address touched that was not meant."""

from __future__ import annotations

import functools
import struct
from collections.abc import Mapping
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hilseq.description.registers import Register, RegisterTable, RegisterType
from hilseq.instruments import codec
from hilseq.instruments.codec import NotEncodable
from hilseq.instruments.plans import ReadPlan, plan_writes
from hilseq.instruments.translate import DecodeError


def register(**fields: Any) -> Register:
    return Register.model_validate({"table": "holding register"} | fields)


def spans(plan: ReadPlan) -> list[tuple[str, int, int]]:
    return [(span.table.value, span.address, span.count) for span in plan.spans]


def test_neighbours_share_a_request() -> None:
    """Sixteen coils, a gap within what may be run over, a 32-bit value at the end: one request each."""
    registers = {f"q{n}": register(table="coil", address=n) for n in range(16)}
    registers |= {
        "a": register(address=100),
        "b": register(address=105, type="float32"),
        "far": register(address=140),
    }
    plan = ReadPlan(registers, max_gap=4)
    assert spans(plan) == [("coil", 0, 16), ("holding register", 100, 7), ("holding register", 140, 1)]
    assert [plan.names_in(index)[-1] for index in range(3)] == ["q15", "b", "far"]


def test_a_gap_is_run_over_only_as_far_as_the_device_allows() -> None:
    """Addresses that are listed are no gap, whoever asked for them."""
    registers = {"a": register(address=0), "b": register(address=5)}
    assert len(ReadPlan(registers, max_gap=3).spans) == 2
    assert len(ReadPlan(registers, max_gap=4).spans) == 1


def test_registers_known_to_be_there_are_no_gap() -> None:
    """What the profile lists for another purpose is read over; what nobody has listed is not."""
    registers = {"a": register(address=0), "b": register(address=5)}
    there = [register(address=1, type="uint32"), register(address=4)]
    assert spans(ReadPlan(registers, max_gap=1, between=there)) == [("holding register", 0, 6)]
    assert len(ReadPlan(registers, between=there).spans) == 2
    assert len(ReadPlan(registers, between=[*there, register(address=3)]).spans) == 1
    coils = [register(table="coil", address=n) for n in range(1, 5)]
    assert len(ReadPlan(registers, between=coils).spans) == 2


def test_limits_of_one_request() -> None:
    """125 registers and 2000 bits are one request, one more is two; a 32-bit value is never split."""
    assert len(ReadPlan({str(n): register(address=n) for n in range(125)}).spans) == 1
    assert len(ReadPlan({str(n): register(address=n) for n in range(126)}).spans) == 2
    assert len(ReadPlan({str(n): register(table="coil", address=n) for n in range(2000)}).spans) == 1
    assert len(ReadPlan({str(n): register(table="coil", address=n) for n in range(2001)}).spans) == 2
    wide = {str(n): register(address=2 * n, type="uint32") for n in range(63)}
    assert spans(ReadPlan(wide)) == [("holding register", 0, 124), ("holding register", 124, 2)]


@st.composite
def small_maps(draw: st.DrawFn) -> dict[str, Register]:
    """Draw a few registers of one table on a short stretch of addresses, overlapping or not."""
    wide = st.tuples(st.integers(0, 14), st.booleans())
    return {
        str(n): register(address=address, type="uint32" if is_wide else "uint16")
        for n, (address, is_wide) in enumerate(draw(st.lists(wide, min_size=1, max_size=6)))
    }


def fewest(registers: Mapping[str, Register], max_gap: int, most: int) -> int:
    """Return the fewest requests there can be, by trying every set of values for the first request."""
    items = tuple(registers.values())
    listed = {a for item in items for a in range(item.address, item.last_address + 1)}

    def feasible(group: tuple[Register, ...]) -> bool:
        first, last = min(r.address for r in group), max(r.last_address for r in group)
        run = longest = 0
        for address in range(first, last + 1):
            run = 0 if address in listed else run + 1
            longest = max(longest, run)
        return last - first + 1 <= most and longest <= max_gap

    @functools.cache
    def best(left: frozenset[int]) -> int:
        if not left:
            return 0
        first, rest = min(left), sorted(left - {min(left)})
        found = len(left)
        for choice in range(1 << len(rest)):
            chosen = {first} | {number for place, number in enumerate(rest) if choice >> place & 1}
            if feasible(tuple(items[number] for number in chosen)):
                found = min(found, 1 + best(left - chosen))
        return found

    return best(frozenset(range(len(items))))


@settings(max_examples=100)
@given(small_maps(), st.integers(0, 4), st.integers(2, 6))
def test_no_plan_has_fewer_requests(registers: dict[str, Register], max_gap: int, most: int) -> None:
    """The greedy plan is as good as the best of all possible plans."""
    plan = ReadPlan(registers, max_gap, most=lambda _: most)
    assert len(plan.spans) == fewest(registers, max_gap, most)
    assert all(span.count <= most for span in plan.spans)


kinds = st.sampled_from(["uint16", "int16", "uint32", "int32", "bit"])


@settings(max_examples=50)
@given(
    st.lists(
        st.tuples(st.integers(0, 300), kinds, st.booleans(), st.integers(0, 15)), min_size=1, max_size=40
    ),
    st.integers(0, 20),
    st.randoms(use_true_random=False),
)
def test_a_plan_reads_what_single_reads_would(
    fields: list[tuple[int, str, bool, int]], max_gap: int, random: Any
) -> None:
    """Whatever overlaps, whatever order: each value is the one its own registers hold."""
    memory = [random.randrange(0x10000) for _ in range(400)]
    registers = {}
    for number, (address, kind, low, bit) in enumerate(fields):
        only = (
            {"bit": bit} if kind == "bit" else {"type": kind, "order": "low first" if low else "high first"}
        )
        registers[f"n{number}"] = register(address=address, scale=0.5, offset=1.0, **only)
    plan = ReadPlan(registers, max_gap)
    answers = [
        struct.pack(f">{span.count}H", *memory[span.address : span.address + span.count])
        for span in plan.spans
    ]
    values = plan.decode(answers)
    assert list(values) == list(registers)
    for name, item in registers.items():
        assert values[name] == codec.decode(item, memory[item.address : item.last_address + 1])


def test_a_float_that_is_no_number_names_its_signal() -> None:
    """One sensor that reports NaN is reported by name; the others cannot make up for it."""
    plan = ReadPlan({"a": register(address=0), "hot": register(address=1, type="float32")})
    with pytest.raises(DecodeError, match="nan in 'hot': nothing was measured"):
        plan.decode([struct.pack(">Hf", 1, float("nan"))])


# -- writing


def encoded(values: dict[str, tuple[Register, float]]) -> dict[str, tuple[Register, list[int]]]:
    return {name: (item, codec.encode(item, value)) for name, (item, value) in values.items()}


def test_adjacent_writes_are_merged_and_gaps_left_alone() -> None:
    """An address between two written ones is never touched."""
    runs = plan_writes(
        encoded(
            {f"q{n}": (register(table="coil", address=n), float(n % 2)) for n in (0, 1, 2, 4)}
            | {"v": (register(address=7, type="float32"), 24.0), "i": (register(address=9), 3.0)}
        )
    )
    assert [(run.table.value, run.address, run.words) for run in runs] == [
        ("coil", 0, [0, 1, 0]),
        ("coil", 4, [0]),
        ("holding register", 7, [0x41C0, 0, 3]),
    ]
    assert not any(run.partial for run in runs)


def test_packed_bits_keep_their_neighbours() -> None:
    """Two bits of a register are written in one, the other fourteen as they were read."""
    (run,) = plan_writes(
        encoded({"a": (register(address=3, bit=0), 1.0), "b": (register(address=3, bit=15), 0.0)})
    )
    assert run.partial
    assert run.filled([0b1010_0000_0000_0110]) == [0b0010_0000_0000_0111]
    assert run.wrong([0b0010_0000_0000_0111]) == []
    assert run.wrong([0b1010_0000_0000_0111]) == [3]


def test_two_wishes_for_one_address_are_refused() -> None:
    """The same value twice is fine, two different ones are a slip."""
    same = {"a": (register(address=3), 1.0), "b": (register(address=3), 1.0)}
    assert len(plan_writes(encoded(same))) == 1
    with pytest.raises(NotEncodable, match="'b' and another value differ about holding register 3"):
        plan_writes(encoded(same | {"b": (register(address=3), 2.0)}))


@given(st.lists(st.tuples(st.integers(0, 40), st.booleans()), min_size=1, max_size=20), st.integers(2, 9))
def test_runs_stay_within_the_limit_and_keep_values_whole(fields: list[tuple[int, bool]], most: int) -> None:
    """No request is too long, none is needless, no 32-bit value is split, no address is added."""
    taken: set[int] = set()
    values = {}
    for number, (address, is_wide) in enumerate(fields):
        mine = {address, address + 1} if is_wide else {address}
        if not mine & taken:
            taken |= mine
            values[str(number)] = (register(address=address, type="uint32" if is_wide else "uint16"), 7.0)
    runs = plan_writes(encoded(values), lambda _: most)
    covered = [run.address + place for run in runs for place in range(len(run.words))]
    assert sorted(covered) == sorted(taken)
    assert all(len(run.words) <= most for run in runs)
    for item, _ in values.values():
        if item.kind is RegisterType.UINT32:
            assert not any(run.address == item.last_address for run in runs)
    for before, after in pairwise(runs):
        assert after.address > before.address + len(before.words) or len(before.words) >= most - 1


def test_the_largest_writes() -> None:
    """1968 coils and 123 registers go in one request, one more takes two (A, 6.11 and 6.12)."""
    for table, most in ((RegisterTable.COIL, 1968), (RegisterTable.HOLDING_REGISTER, 123)):
        for count, requests in ((most, 1), (most + 1, 2)):
            items = {str(n): (register(table=table.value, address=n), 1.0) for n in range(count)}
            assert len(plan_writes(encoded(items))) == requests
