"""Keys that stand for many: names, addresses, terminals, and what is no range."""

# ruff: noqa: E501 - the changes are lines of the files

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilseq.description.loading import load_profile, load_stand
from hilseq.description.ranges import MOST, range_names
from hilseq.description.simulated import modbus_signals

Break = Callable[[dict[str, str]], Any]

STANDS = Path(__file__).parents[2] / "stands"
COVER = "cover: {io: rack, table: discrete input, address: 18}"

#: id -> the key put in the place of `cover`, what is wrong, what was expected
WRONG: dict[str, tuple[str, str, str]] = {
    "two words": (
        "c1..d4",
        "the range 'c1..d4' goes from 'c' to 'd'",
        "the same word at both ends, such as c1..c4",
    ),
    "backwards": ("c4..c1", "the range 'c4..c1' runs backwards", "the lower number first"),
    "no number": ("a..c", "'a..c' is no range of names", "names that end in numbers, such as q01..q16"),
    "one end": ("c1..", "'c1..' is no range of names", "names that end in numbers, such as q01..q16"),
    "too many": ("c1..c5000", "the range 'c1..c5000' stands for 5000 names", "at most 4096"),
    "unequal digits": ("c1..c016", "the range 'c1..c016' counts with 1 and with 3 digits", "c001..c016"),
}


@pytest.mark.parametrize("case", WRONG)
def test_what_is_no_range_is_said_at_its_key(case: str, break_stand: Break) -> None:
    """A key with dots that is no range yields one problem, at the key."""
    key, wrong, expected = WRONG[case]
    broken = break_stand({COVER: COVER.replace("cover", key), "{signal: cover,": "{signal: loop-in,"})
    assert broken.only() == broken.problem(f"{key}:", wrong, expected)


def test_a_name_that_two_keys_give_is_said_at_the_second(break_stand: Break) -> None:
    """Names of a range that another key already gave are counted, and the other key is named."""
    broken = break_stand({COVER: COVER.replace("cover", "q15..q18"), "{signal: cover,": "{signal: loop-in,"})
    wrong = "'q15..q18' gives 'q15' and 1 more a second time"
    assert broken.only() == broken.problem(
        "q15..q18:", wrong, "each name once; 'q01..q16' in line 27 has it too"
    )


def test_a_terminal_without_a_number_cannot_be_moved_on(break_stand: Break) -> None:
    """Sixteen signals cannot all sense one terminal by slip."""
    broken = break_stand(
        {
            "s1..s3: {io: rack, table: coil, address: 16, drives: A.s1": "x1..x3: {io: rack, table: coil, address: 16, drives: A.go"
        }
    )
    assert "the terminal 'A.go' does not end in a number, so a range cannot move it on" in [
        problem.wrong for problem in broken.problems
    ]


def test_a_range_past_the_last_address_is_said_once(break_stand: Break) -> None:
    """A range that begins inside the addresses and ends outside gives one problem."""
    broken = break_stand(
        {"i01..i16: {io: rack, table: coil, address: 0": "i01..i16: {io: rack, table: coil, address: 65530"}
    )
    assert broken.only().wrong == "65536 is above 65535"


def test_ranges_are_no_keys_elsewhere(break_stand: Break) -> None:
    """Where nothing could be moved on, a range is no name."""
    broken = break_stand({"    cover: {": "    cover1..cover2: {"})
    assert broken.only().wrong == "'cover1..cover2' is not a name"


def test_signals_move_on_by_one_value() -> None:
    """Bits move by one address, packed bits by one bit, 32-bit values by two addresses; terminals with them."""
    signals = modbus_signals(load_stand(STANDS / "dx08-bench.yaml"))
    assert [(signals[f"q{n}"].address, signals[f"q{n}"].bit) for n in (1, 8)] == [(200, 4), (200, 11)]
    assert [signals[f"v{n}"].address for n in (1, 2, 8)] == [300, 302, 314]
    assert signals["v8"].senses == "left.q8"
    simple = modbus_signals(load_stand(STANDS / "sim-bench.yaml"))
    assert (simple["q16"].address, simple["q16"].senses) == (15, "A.q16")


def test_packed_bits_run_into_the_next_register(break_stand: Break) -> None:
    """After bit 15 comes bit 0 of the register that follows."""
    change = {
        COVER: "x01..x20: {io: rack, table: input register, address: 90, bit: 10}",
        "{signal: cover,": "{signal: x08,",
    }
    broken = break_stand(change)
    assert broken.problems == ()
    signals = modbus_signals(load_stand(broken.path))
    places = [(signals[name].address, signals[name].bit) for name in ("x01", "x06", "x07", "x20")]
    assert places == [(90, 10), (90, 15), (91, 0), (91, 13)]


def test_points_move_on_inside_their_registers() -> None:
    """A range of points moves the address of the register that each point holds."""
    points = load_profile(STANDS / "units/rh16.yaml").points
    assert points.outputs["q16"].command.address == 15
    assert points.analog_inputs["ai4"].register_.address == 23


@given(st.text("abc0123456789.- ", max_size=30))
def test_any_key_is_a_range_or_not(key: str) -> None:
    """A key gives no names, up to the most, or a ValueError; names are distinct."""
    try:
        names = range_names(key)
    except ValueError:
        return
    assert names is None or 1 <= len(names) == len(set(names)) <= MOST


@given(st.integers(0, 99999), st.integers(0, 300), st.sampled_from(["q", "port ", "a-b"]))
def test_a_range_counts_from_its_first_name_to_its_last(low: int, more: int, word: str) -> None:
    """The names of a range begin and end with the names that were written."""
    width = len(str(low + more))
    first, last = f"{word}{low:0{width}d}", f"{word}{low + more:0{width}d}"
    names = range_names(f"{first}..{last}")
    assert names is not None
    assert (names[0], names[-1], len(names)) == (first, last, more + 1)
