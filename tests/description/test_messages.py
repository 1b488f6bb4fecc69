"""What is said about single values of the wrong kind, in the words of a person."""

# ruff: noqa: E501 - the changes are lines of the files

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hilseq.description.loading import load_profile, load_stand, read_stand
from hilseq.errors import DescriptionError

Break = Callable[[dict[str, str]], Any]

STANDS = Path(__file__).parents[2] / "stands"
VOLTAGE = "a voltage with one of the units uV, mV, V, kV"
TIME = "a time with one of the units us, ms, s, min, h, d, a"

#: id -> changes of the stand file, the snippet pointed at, what is wrong, what was expected, the nearest word
CASES: dict[str, tuple[dict[str, str], str, str, str, str]] = {
    "a key misspelt": ({"    device-id: 1": "    devise-id: 1"}, "devise-id",
        "the key `devise-id` is not known in `rack`",
        ("one of protocol, port, line, device-id, max-gap, high-addresses, driver, deadline, scan-time, optional, "
         "max-read, max-write, max-bit-read, max-bit-write, writes, bit-writes, pause"),
        "device-id"),
    "a key with an underscore": ({"lost-instrument:": "lost_instrument:"}, "lost_instrument",
        "the key `lost_instrument` is not known in `safety`", "one of lost-instrument, reconnect-timeout",
        "lost-instrument"),
    "a key missing": ({"    supply: main\n": ""}, "A:\n", "the key `supply` is missing in `A`",
        "`supply`: which supply feeds the unit", ""),
    "a section missing": (
        {"stand: sim-bench": "description: sim-bench", "description: One-slot repair bench, simulated\n": ""},
        "description: sim", "the key `stand` is missing", "`stand`: name of the stand", ""),
    "a word misspelt": ({"cover: {io: rack, table: discrete input,": "cover: {io: rack, table: discreet input,"},
        "discreet input", "'discreet input' is not known here",
        "one of coil, discrete input, holding register, input register", "discrete input"),
    "a choice misspelt": ({"lost-instrument: make safe": "lost-instrument: makes safe"}, "makes safe",
        "'makes safe' is not known here", "one of 'make safe', 'hold'", "make safe"),
    "a number without a unit": ({"overvoltage: 31 V": "overvoltage: 31"}, "31\n", "'31' has no unit",
        f"{VOLTAGE}; write the unit", ""),
    "a unit in small letters": ({"overvoltage: 31 V": "overvoltage: 31 v"}, "31 v",
        "'31 v' is not understood", VOLTAGE, "31 V"),
    "a unit of another dimension": ({"overvoltage: 31 V": "overvoltage: 31 h"}, "31 h",
        "'31 h' is not understood", VOLTAGE, ""),
    "a quantity out of range": ({"ceilings: {voltage: 30 V": "ceilings: {voltage: -30 V"}, "-30 V",
        "'-30 V' is out of range", "more than 0", ""),
    "a time by the clock": ({"settle: 50 ms": "settle: 12:30:00"}, "12:30:00",
        "'12:30:00' is no time here; write hours, minutes and seconds with their units, as in 12 h 30 min",
        TIME, ""),
    "a truth value for a quantity": ({"settle: 50 ms": "settle: on"}, "on\n    response",
        "'on' is a truth value in YAML, not a quantity", f"{TIME}; write the unit", ""),
    "a truth value for a text": ({"model: PS-3203": "model: no"}, "no}",
        "'no' is a truth value in YAML, not a text", "a text; quote it: 'no'", ""),
    "a truth value for a name": ({"stand: sim-bench": "stand: yes"}, "yes",
        "'yes' is a truth value in YAML; in quotes it would be a text",
        "letters, digits, '-' and '_', beginning with a letter", ""),
    "a number for a text": ({"model: PS-3203": "model: 3203"}, "3203",
        "'3203' is a number in YAML, not a text", "a text; quote it: '3203'", ""),
    "a date for a text": ({"certificate: SIM-PS-1": "certificate: 2027-01-31"}, "2027-01-31",
        "'2027-01-31' is a date in YAML, not a text", "a text; quote it: '2027-01-31'", ""),
    "a text for a date": ({"certificate: SIM-PS-1, due: 2099-12-31": "certificate: SIM-PS-1, due: 31.12.2099"},
        "31.12.2099", "'31.12.2099' is not a date", "YYYY-MM-DD", ""),
    "a number with an exponent": ({"address: 17, type: int16, scale: 0.1": "address: 17, type: int16, scale: 1e-1"},
        "1e-1", "'1e-1' is text in YAML, not a number", "a number; write 0.1", ""),
    "an address with an exponent": (
        {"cover: {io: rack, table: discrete input, address: 18": "cover: {io: rack, table: discrete input, address: 1e3"},
        "1e3", "'1e3' is text in YAML, not a number", "a whole number; write 1000", ""),
    "a number in quotes": (
        {"cover: {io: rack, table: discrete input, address: 18": 'cover: {io: rack, table: discrete input, address: "18"'},
        '"18"', "'18' is a text because of its quotes", "a whole number; write it without quotes", ""),
    "a fraction for a whole number": ({"    device-id: 1": "    device-id: 1.5"}, "1.5",
        "'1.5' is no whole number", "a whole number", ""),
    "a whole number out of range": ({"    device-id: 1": "    device-id: 300"}, "300",
        "'300' is out of range", "at most 255", ""),
    "an infinite number": ({"safe-value: 0}": "safe-value: 1.0e+999}"}, "1.0e+999",
        "'1.0e+999' is no finite number", "a number", ""),
    "nothing for a text": (
        {"stand: sim-bench\ndescription: One-slot repair bench, simulated": "stand: sim-bench\ndescription:"},
        "\nnetwork", "nothing is written here", "a text", ""),
    "an empty text": ({"model: PS-3203": 'model: ""'}, '""', "nothing is written here", "at least 1", ""),
    "a list for a mapping": ({"  interlocks:\n    cover: {signal: cover,": "  interlocks: [cover]\n#"},
        "[cover]", "a list stands here",
        "a mapping of keys to values: signals that must hold their safe value while anything is powered", ""),
    "a word for a list": (
        {"setup:\n      - {item: rack backplane with three neighbours, where: slot A}\n"
         "      - {item: load board, where: terminals q01 to q16}": "setup: none"},
        "none", "'none' stands here", "a list, such as [1, 2]", ""),
    "a mapping for a quantity": ({"settle: 50 ms": "settle: {a: 1}"}, "settle: {a",
        "a mapping of keys stands where a quantity belongs", f"{TIME}; write the unit", ""),
    "a terminal without its slot": ({"senses: A.lamp-red": "senses: lamp-red"}, "lamp-red, lag",
        "'lamp-red' is not a terminal", "SLOT.TERMINAL such as A.q01", ""),
    "an address without its port": ({"address: 192.0.2.20:502": "address: 192.0.2.20"}, "192.0.2.20\n",
        "'192.0.2.20' is not a network address", "HOST:PORT such as 192.0.2.20:502", ""),
    "a port beyond the last": ({"address: 192.0.2.20:502": "address: 192.0.2.20:70000"}, "192.0.2.20:70000\n",
        "there is no port 70000 in '192.0.2.20:70000'", "one from 1 to 65535", ""),
    "a name with a dot": ({"  spare relay:": "  spare.relay:"}, "spare.relay", "'spare.relay' is not a name",
        "letters, digits, '-' and '_', beginning with a letter", ""),
    "a key that is needed, with a space too many": ({"stand: sim-bench": "'stand ': sim-bench"}, "'stand '",
        "the key `stand ` is not known",
        ("one of stand, simulated, simulated-clock, exclusive, power-on-gap, uncalibrated, twin, golden-unit, shop, "
         "intake"),
        "stand"),
    "a fraction for a number": ({"address: 17, type: int16, scale: 0.1": "address: 17, type: int16, scale: 1/10"},
        "1/10", "'1/10' is no number", "a number; write 0.1", ""),
    "a subnet without its bits": ({"network: 192.0.2.0/24": "network: 192.0.2.0"}, "192.0.2.0",
        "'192.0.2.0' is no subnet", "a subnet such as 192.0.2.0/24", ""),
    "a link to two places": (
        {'link: {address: "192.0.2.30:502",': 'link: {address: "192.0.2.30:502", port: /dev/ttyS0,'},
        "link: {", "this link leads nowhere, or to two places",
        "either `address` (HOST:PORT) or `port` (a serial port)", ""),
    "a network io without its address": ({"    address: 192.0.2.20:502": "    port: /dev/ttyS0"}, "rack:",
        "modbus tcp has no serial port", "`address` (HOST:PORT) and no `port`", ""),
    "bits of more than one bit": (
        {"cover: {io: rack, table: discrete input, address: 18}": "cover: {io: rack, table: discrete input, address: 18, type: uint16}"},
        "cover: {io", "a discrete input holds bits, not uint16", "type bit or a register table", ""),
    "a scale of zero": ({"address: 17, type: int16, scale: 0.1": "address: 17, type: int16, scale: 0"},
        "ambient: {", "scale 0 makes every value the same", "a number other than 0", ""),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_a_wrong_value_gets_one_sentence(case: str, break_stand: Break) -> None:
    """A value of the wrong kind yields one problem, at its place, in the words of a person."""
    changes, snippet, wrong, expected, nearest = CASES[case]
    broken = break_stand(changes)
    if snippet.startswith("\n"):  # where nothing is written, the place is the end of the line
        snippet_at = broken.text.index(snippet)
        line = broken.text[:snippet_at].count("\n") + 1
        assert (broken.only().line, broken.only().wrong, broken.only().expected) == (line, wrong, expected)
        return
    assert broken.only() == broken.problem(snippet, wrong, expected, nearest)


def test_a_word_that_yaml_takes_for_a_truth_value_is_to_be_quoted(break_profile: Break) -> None:
    """`pattern: on` is refused with the word in quotes."""
    broken = break_profile({"pattern: alternate": "pattern: on"})
    wrong = "'on' is a truth value in YAML, not a word"
    assert broken.only() == broken.problem("on\n  pattern-period", wrong, "the word in quotes: 'on'")


def test_all_faults_of_a_file_are_said_at_once(break_stand: Break) -> None:
    """Faults of single values, of whole models and of references come out together, in file order."""
    broken = break_stand(
        {
            "stand: sim-bench": "stand: sim-bench\nstandd: 1",
            "ceilings: {voltage: 30 V": "ceilings: {voltage: 30",
            "model: IO-64": "model: 0064",
            "cover: {io: rack": "cover: {io: rock",
            "loop-in: {io: rack, table: discrete input, address: 19}": "loop-in: {io: rack, table: discrete input, address: 18}",
            "supply: main": "supply: mian",
            "{signal: cover, safe: 1,": "{signal: cover, safe: 2,",
        }
    )
    assert [problem.wrong for problem in broken.problems] == [
        "the key `standd` is not known",
        "'30' has no unit",
        "0064 begins with 0, which YAML reads as an octal number",
        "there is no io 'rock' in this file",
        "there is no supply 'mian' in this file",
        "the signal 'cover' is one bit and is never 2",
    ]


def test_what_only_follows_from_another_fault_is_not_said(break_stand: Break) -> None:
    """A signal with a faulty address still exists: references to it are not called wrong."""
    broken = break_stand(
        {
            "cover: {io: rack, table: discrete input, address: 18": "cover: {io: rack, table: discrete input, address: -1"
        }
    )
    assert broken.only().wrong == "'-1' is out of range"


def test_a_fault_in_a_range_is_said_once(break_stand: Break) -> None:
    """Sixteen signals of one line with one fault give one problem."""
    broken = break_stand(
        {"q01..q16: {io: rack, table: discrete input": "q01..q16: {io: rack, table: discrete"}
    )
    assert broken.only().wrong == "'discrete' is not known here"


def test_a_stand_is_no_profile_and_a_profile_no_stand() -> None:
    """A file of the other kind is named as what it is, and not taken apart key by key."""
    with pytest.raises(DescriptionError, match=r"rh16.yaml:3:1: this is a profile; expected a stand file$"):
        load_stand(STANDS / "units/rh16.yaml")
    with pytest.raises(
        DescriptionError, match=r"sim-bench.yaml:3:1: this is a stand file; expected a profile$"
    ):
        load_profile(STANDS / "sim-bench.yaml")


def test_a_list_is_no_stand(tmp_path: Path) -> None:
    """A file that holds a list or a single value is refused as a whole."""
    path = tmp_path / "list.yaml"
    path.write_text("- stand\n", encoding="utf-8")
    with pytest.raises(DescriptionError, match="the file holds a list; expected a stand file: a mapping"):
        load_stand(path)


def test_what_can_be_read_of_a_faulty_file_is_kept(break_stand: Break) -> None:
    """A faulty stand still gives its sound parts, so that every check that can run does."""
    broken = break_stand({"cover: {io: rack": "cover: {io: [rack]", "overvoltage: 31 V": "overvoltage: 31"})
    loaded = read_stand(broken.path)
    assert loaded.model is not None
    assert "cover" not in loaded.model.signals
    assert "q16" in loaded.model.signals
    assert loaded.model.supplies["main"].overvoltage is None
    with pytest.raises(DescriptionError):
        loaded.whole()
