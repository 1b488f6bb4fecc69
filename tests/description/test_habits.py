"""What people write out of habit, from other tools, data sheets and keyboards: each is reported with its remedy."""

# ruff: noqa: E501 - the changes are lines of the files

from __future__ import annotations

import ast
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hilseq.description.inspection import inspect
from hilseq.description.stages import READINGS

Break = Callable[[dict[str, str]], Any]
STANDS = Path(__file__).parents[2] / "stands"

#: id -> the change of the stand file, the snippet pointed at, and what the message must say.
STAND_CASES: dict[str, tuple[dict[str, str], str, tuple[str, ...]]] = {
    "three spaces for four": ({"    overvoltage: 31 V": "   overvoltage: 31 V"}, "overvoltage: 31 V",
        ("`overvoltage` is indented by 3 spaces", "4 (as line 12)")),
    "six spaces for four": ({"    overvoltage: 31 V": "      overvoltage: 31 V"}, "overvoltage: 31 V",
        ("indented by 6 spaces", "deeper than line 12, which has a value already")),
    "a quote that is not closed": ({"description: One-slot": 'description: "One-slot'}, '"One-slot',
        ("the quote that opens here is not closed",)),
    "millivolts for ohms": ({"load: 48 Ohm": "load: 48 mV"}, "48 mV",
        ("a resistance with one of the units",)),
    "a current in ohms": (
        {"unit: mA, drives: A.ai1, accuracy: 0.03 % + 4 uA": "unit: Ohm, drives: A.ai1, accuracy: 1 Ohm"},
        "Ohm, drives", ("ai1 of RH16 is 4..20 mA", "its signal is in Ohm, which is no current", "uA, mA, A")),
    "an accuracy without unit": ({"accuracy: 0.5 degC": "accuracy: 0.5"}, "0.5}",
        ("'0.5' is no accuracy of a channel in degC", "0.5 K")),
    "a terminal of another unit": (
        {"q01..q16: {io: rack, table: discrete input, address: 0, senses: A.q01}": "q01..q16: {io: rack, table: discrete input, address: 0, senses: A.o01}",
         "v01..v16: {": "# v01..v16: {"}, "A.o01",
        ("no signal senses the outputs q01 to q16", "this one senses A.o01", "did you mean 'A.q01'?")),
    "a range with three dots": ({"  v01..v16: {io": "  v01...v16: {io"}, "v01...v16",
        ("looks like a range", "v01..v16")),
    "digits in an accuracy": ({"voltage: 0.05 % + 5 mV": "voltage: 0.05 % + 2 digits"}, "0.05 %",
        ("digits are written as what they are worth, such as 10 mV",)),
    "a range with a dash": ({"  v01..v16: {io": "  v01-v16: {io"}, "v01-v16",
        ("looks like a range", "v01..v16")),
    "an IP with 420": ({"network: 192.0.2.0/24": "#", "192.0.2.20:502": "192.0.2.420:502"}, "192.0.2.420",
        ("is no IP address (420 between its dots)",)),
    "an IP with a leading zero": ({"192.0.2.20:502": "192.0.2.020:502"}, "192.0.2.020",
        ("begins with 0", "did you mean '192.0.2.20'?")),
    "an address for a resource": ({"TCPIP::192.0.2.10::5025::SOCKET": "192.0.2.10:5025"}, "192.0.2.10:5025",
        ("is no VISA resource", "did you mean 'TCPIP::192.0.2.10::5025::SOCKET'?")),
    "a web address for a resource": ({"TCPIP::192.0.2.10::5025::SOCKET": "http://192.0.2.10/"}, "http",
        ("is no VISA resource", "did you mean 'TCPIP::192.0.2.10::5025::SOCKET'?")),
    "a resource without port": ({"TCPIP::192.0.2.10::5025::SOCKET": "TCPIP::192.0.2.10::SOCKET"},
        "TCPIP::192.0.2.10", ("names no port",)),
    "a serial port for a supply": ({"TCPIP::192.0.2.10::5025::SOCKET": "/dev/ttyUSB7"}, "/dev/ttyUSB7",
        ("did you mean 'ASRL/dev/ttyUSB7::INSTR'?",)),
    "a line speed that is almost one": ({"    device-id: 1": "    device-id: 1\n    line: {speed: 38401}"},
        "38401", ("almost, but not quite, a usual line speed; expected 38400 Bd",)),
    "slave for device": ({"    device-id: 1": "    slave: 1"}, "slave", ("did you mean 'device-id'?",)),
    "host for address": ({"address: 192.0.2.20:502": "host: 192.0.2.20"}, "host",
        ("did you mean 'address'?",)),
    "big endian": ({"A.case, accuracy": "A.case, order: big-endian, accuracy"}, "big-endian",
        ("did you mean 'high first'?",)),
    "a list for a mapping": ({"{1: DI16, 2: DO16, 3: AI4}": "[DI16, DO16, AI4]"}, "[DI16",
        ("a list stands here", "module fitted in each rack position")),
    "a text for a mapping": ({"identity: {maker: Ombrella, model: PS-3203}": "identity: Ombrella"},
        "Ombrella\n", ("a mapping of keys to values: maker, model, serial",)),
    "a protection below its ceiling": ({"overvoltage: 31 V": "overvoltage: 29 V"}, "29 V",
        ("`overvoltage` protection at 29 V would trip",)),
}  # fmt: skip

UNIT_CASES: dict[str, tuple[dict[str, str], str, tuple[str, ...]]] = {
    "a decimal comma": ({"voltage-drop: 0.8 V": "voltage-drop: 0,8 V"}, "0,8 V", ("did you mean '0.8 V'?",)),
    "a decimal comma between braces": ({"nominal: 3.0 V": "nominal: 3,0 V"}, "3,0 V",
        ("a comma ends the value of `nominal` here", "a point for decimals: 3.0 V")),
    "a decimal comma of a number between braces": ({"address: 4, scale: 0.001": "address: 4, scale: 0,001"},
        "0,001", ("a comma ends the value of `scale` here", "0.001")),
    "a colon forgotten": ({"battery: {nominal": "battery {nominal"}, " {nominal",
        ("no colon behind `battery`",)),
    "a space forgotten": ({"highest-case: 70 degC": "highest-case:70 degC"}, "70 degC",
        ("no space behind the colon of `highest-case`",)),
    "a space forgotten above other keys": ({"part: RH16": "part:RH16"}, "RH16\ndescription",
        ("no space behind the colon of `part`",)),
    "a key too far left": ({"  ready-within: 4 s": "ready-within: 4 s"}, "startup-quiet",
        ("`startup-quiet` is indented by 2 spaces", "0 (as line 14)")),
    "run for live": ({"run: {mode: live": "run: {mode: run"}, "run, contact", ("did you mean 'live'?",)),
    "percent for a probability": ({"start-probability: 0.90": "start-probability: 90 %"}, "90 %",
        ("expected a number; write 0.9",)),
    "ninety for a confidence": ({"confidence: 0.90": "confidence: 90"}, "90, off",
        ("less than 1; write 0.9 for 90 %",)),
    "hexadecimal of a manual": ({"[0x5248,": "[5248h,"}, "5248h", ("write 0x5248",)),
    "a code that is none": ({"0x11: {meaning": "0xZZ: {meaning"}, "0xZZ", ("'0xZZ' is no whole number",)),
    "a code twice": ({"0x12: {meaning": "0x11: {meaning"}, "0x11: {meaning: program",
        ("the key '0x11' stands here a second time",)),
    "a text for a list": ({'firmware: ["2.4", "2.5"]': 'firmware: "2.4"'}, '"2.4"',
        ('a list, such as ["2.4"]',)),
    "two minutes": ({"duration: 72 h": "duration: 2m"}, "2m", ("did you mean '2 min'?",)),
    "a part number without quotes": ({"part: RH16": "part: 750841"}, "750841", ("in quotes: '750841'",)),
}  # fmt: skip


@pytest.mark.parametrize("case", STAND_CASES)
def test_a_habit_in_a_stand_file_is_reported(case: str, break_stand: Break) -> None:
    """One message, at the line and column of the slip, with what to write instead."""
    changes, snippet, words = STAND_CASES[case]
    _is_reported(break_stand(changes), snippet, words)


@pytest.mark.parametrize("case", UNIT_CASES)
def test_a_habit_in_a_profile_is_reported(case: str, break_profile: Break) -> None:
    """One message, at the line and column of the slip, with what to write instead."""
    changes, snippet, words = UNIT_CASES[case]
    _is_reported(break_profile(changes), snippet, words)


def _is_reported(broken: Any, snippet: str, words: tuple[str, ...]) -> None:
    problem = broken.only()
    assert (problem.line, problem.column) == broken.place_of(snippet), str(problem)
    for word in words:
        assert word in str(problem)


def test_each_mode_of_other_makers_is_reported_once(break_profile: Break) -> None:
    """Stop, hold and run are answered with stopped, held and live, and nothing follows from them."""
    broken = break_profile({"values: {stopped: 0, held: 1, live: 2}": "values: {stop: 0, hold: 1, run: 2}"})
    assert [problem.nearest for problem in broken.problems] == ["stopped", "held", "live"]


@pytest.mark.parametrize(
    ("stand", "unit"),
    [
        ({"    device-id: 1": "    device-id: 1\n    line: {speed: 38400 Bd}"}, {}),
        ({"    device-id: 1": "    device-id: 1\n    line: {speed: 38400}"}, {}),
        ({"load: 48 Ohm": "load: 48 \u2126"}, {"speeds: [9600 Bd, 19200 Bd]": "speeds: [9600, 19200]"}),
        (
            {},
            {"leakage: 0.5 mA": "leakage: 500 \u00b5A", "highest-case: 70 degC": "highest-case: 70 \u00b0C"},
        ),
        (
            {"unit: degC, senses: A.case": "unit: \u00b0C, senses: A.case"},
            {"part: RH16": 'part: "750-841/025"'},
        ),
    ],
)
def test_both_spellings_are_read(stand: dict[str, str], unit: dict[str, str], tmp_path: Path) -> None:
    """A line speed with and without its unit, the signs of units and their plain letters, a real part number."""
    paths = []
    for name, changes in (("sim-bench.yaml", stand), ("units/rh16.yaml", unit)):
        text = (STANDS / name).read_text(encoding="utf-8")
        for old, new in changes.items():
            assert text.count(old) == 1, old
            text = text.replace(old, new)
        paths.append(tmp_path / Path(name).name)
        paths[-1].write_text(text, encoding="utf-8")
    found = inspect(paths)
    assert found.problems == ()
    assert len(found.fits) == 1


def test_a_windows_port_and_a_stray_terminal_are_warned_of(tmp_path: Path) -> None:
    """COM3 is no port of this computer, and A.d001 no terminal of the unit: both are reported, and a twin still runs."""
    text = (STANDS / "sim-bench.yaml").read_text(encoding="utf-8")
    text = text.replace("resource: /dev/ttyUSB0", "resource: COM3").replace(
        "senses: A.q01}", "senses: A.d001}"
    )
    path = tmp_path / "stand.yaml"
    path.write_text(text, encoding="utf-8")
    found = inspect([path, STANDS / "units" / "rh16.yaml"])
    assert found.problems == ()
    words = "\n".join(map(str, found.warnings))
    assert "port 1 of slot A is at COM3, a serial port of Windows" in words
    assert "RH16 has no terminal 'd001' in slot A (and 15 more like it)" in words


def test_a_load_that_is_not_the_rated_one_is_warned_of(break_profile: Break) -> None:
    """A drop that is claimed at 5 A is judged at what the stand's load takes."""
    broken = break_profile({"rated-current: 0.5 A": "rated-current: 5 A"})
    assert broken.problems == ()
    (words,) = (str(warning) for warning in inspect([STANDS / "sim-bench.yaml", broken.path]).warnings)
    assert (
        "this load takes 0.5 A of q01 of RH16, which is rated for 5 A: the voltage drop is judged at" in words
    )
    assert words.endswith("(and 15 more like it); expected 4 to 9.6 Ohm")


def test_a_stage_and_a_reading_of_ones_own_are_warned_of(break_profile: Break) -> None:
    """Nobody knows the reader's own sequences here, and a name of theirs is no slip; nor are those of the shipped."""
    broken = break_profile(
        {
            "rack-positions: 3": "rack-positions: 3\nrequired-stages: [burn-in]",
            "key-readings: [time to ready, idle current": "key-readings: [bit error ratio at 9600 Bd (95% sure), inrush",
        }
    )
    assert broken.problems == ()
    stage, reading = (str(warning) for warning in inspect([broken.path]).warnings)
    expected = "expected a reading of a sequence of yours; did you mean 'inrush peak'?"
    assert reading.endswith(f"no shipped sequence has a reading 'inrush'; {expected}")
    assert stage.endswith(
        "no shipped sequence has a stage 'burn-in'; expected a stage of a sequence of yours"
    )


def test_the_readings_that_are_known_are_those_of_the_shipped_checks() -> None:
    """Each name that a sequence writes out, and each known name in what makes it."""
    written = [
        str(call.args[0].value)
        for file in sorted((STANDS.parent / "sequences").glob("test_*.py"))
        for call in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(call, ast.Call) and getattr(call.func, "id", "") == "judge"
        if isinstance(call.args[0], ast.Constant)
    ]
    assert len(written) > 30
    assert [name for name in written if name not in READINGS] == []
    made = "".join(
        file.read_text(encoding="utf-8") for file in (STANDS.parent / "hilseq/procedures").rglob("*.py")
    )
    computed = ("threshold ", "reading at ", "output ")
    lacking = [name for name in READINGS if name not in written and f'"{name}"' not in made]
    for begin in computed:
        lacking = [name for name in lacking if f'"{name.removeprefix(begin)}"' not in made]
    assert lacking == []
