"""Keys that stand for many: names, addresses, terminals, and what is no range."""

# ruff: noqa: E501 - the changes are lines of the files

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilseq.description.loading import load_profile, load_stand, read_stand
from hilseq.description.ranges import MOST, range_names
from hilseq.description.simulated import modbus_signals, scpi_supplies

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
    "letters backwards": (
        "H..A q01..q16",
        "the range 'H..A' runs backwards",
        "the earlier letter first, such as A..H",
    ),
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


def test_wires_of_slots_that_are_alike_lie_one_slot_after_the_other() -> None:
    """A key with slots and wires gives each wire its slot, its terminal and the next address; a lone wire too."""
    stand = load_stand(STANDS / "rack-bench.yaml")
    signals = modbus_signals(stand)
    assert [signals[f"{slot} q16"].address for slot in "ABH"] == [15, 31, 127]
    assert signals["H q16"].senses == "H.q16"
    assert [(signals[f"{slot} green"].address, signals[f"{slot} green"].senses) for slot in "AH"] == [
        (128, "A.lamp-green"),
        (135, "H.lamp-green"),
    ]
    loopback = stand.loopbacks["C at s2"]
    assert (loopback.drive, loopback.sense) == ("C s2", "C bs2")


def test_slots_and_supplies_that_are_alike_are_described_once() -> None:
    """Supplies move on with the slots, outputs and numbers in braces count on, and a text knows its slot."""
    stand = load_stand(STANDS / "rack-bench.yaml")
    assert list(stand.slots) == list("ABCDEFGH")
    assert [slot.supply for slot in stand.slots.values()] == [f"p{n}" for n in range(1, 9)]
    outputs = {name: (s.resource, s.output) for name, s in scpi_supplies(stand).items()}
    assert outputs["p4"] == ("TCPIP::192.0.2.140::5025::SOCKET", 4)
    assert outputs["p6"] == ("TCPIP::192.0.2.141::5025::SOCKET", 2)
    third = stand.slots["C"]
    assert (third.link.addresses()[0].text, third.ports["port 2"].resource) == (
        "192.0.2.163:502",
        "192.0.2.151:4013",
    )
    assert third.setup[0].where == "slot C"


#: id -> a text of the shipped rack that is changed, what it becomes, what is wrong, what was expected
ALIKE_WRONG: dict[str, tuple[str, str, str, str]] = {
    "does not count evenly": ("{161..168}", "{161..170}",
        "'{161..170}' does not count evenly over the 8 names of its key",
        "{161..168}, or another end that can be reached in 7 equal steps"),
    "backwards": ("  A..H:\n", "  H..A:\n", "the range 'H..A' runs backwards",
        "the earlier letter first, such as A..H"),
    "twice": ("  p5..p8:", "  p4..p7:", "'p4..p7' gives 'p4' a second time",
        "each name once; line 11 has it too"),
    "another slot": ("senses: A.lamp-green", "senses: B.lamp-green",
        "'B.lamp-green' does not belong to slot A, with which the range begins",
        "a terminal such as A.q01, or a signal such as A q01"),
}  # fmt: skip


@pytest.mark.parametrize("case", ALIKE_WRONG)
def test_what_is_wrong_with_things_alike_is_said_once(case: str, tmp_path: Path) -> None:
    """A slip in a range of slots is reported with its line, not once for each slot."""
    old, new, wrong, expected = ALIKE_WRONG[case]
    text = (STANDS / "rack-bench.yaml").read_text(encoding="utf-8")
    assert text.count(old) == 1
    path = tmp_path / "stand.yaml"
    path.write_text(text.replace(old, new), encoding="utf-8")
    reported = [
        problem
        for problem in read_stand(path).problems
        if (problem.wrong, problem.expected) == (wrong, expected)
    ]
    assert len(reported) == 1
    assert reported[0].line > 0


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
