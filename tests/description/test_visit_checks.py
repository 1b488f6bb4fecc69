"""Each way in which a stand can fail to serve a unit; the sentence names the line of the profile, too."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hilseq.description.visit import describe_visit
from hilseq.errors import DescriptionError

Break = Callable[[dict[str, str]], Any]

STANDS = Path(__file__).parents[2] / "stands"
UNIT = STANDS / "units/rh16.yaml"

#: id -> changes, the snippet pointed at, what is wrong, the line of the profile it goes back to, what was
#: expected, the nearest word
CASES: dict[str, tuple[dict[str, str], str, str, str, str, str]] = {
    "an output that nothing senses": ({"q01..q16: {io": "q01..q15: {io", "v01..v16: {io": "v01..v15: {io"},
        "signals:", "no signal senses the outputs q16 of RH16 in slot A", "  outputs:",
        "signals with `senses: A.q16`", ""),
    "an output sensed in degrees": (
        {"q01..q16: {io": "q01..q15: {io",
         "scale: 0.001, unit: V, senses: A.q01": "scale: 0.001, unit: degC, senses: A.q01",
         "0.1 % + 2 mV, load: 48 Ohm": "0.1 %"},
        "signals:", "the outputs q16 of RH16 are sensed neither as a bit nor as a voltage", "    q01..q16:",
        "a bit, or `unit: V`", ""),
    "inputs that nothing drives": ({"drives: A.i01": "drives: A.i03"}, "A.i03",
        "no signal drives the inputs i01 to i02 of RH16 in slot A; this one drives A.i18", "  inputs:",
        "signals with `drives: A.i01`", "A.i01"),
    "an analog input that nothing drives": (
        {"  ai1..ai4: {io": "  ai1..ai3: {io", "at ai1..at ai4": "at ai1..at ai3"}, "signals:",
        "no signal drives the analog inputs ai4 of RH16 in slot A", "  analog-inputs:",
        "signals with `drives: A.ai4`", ""),
    "an analog output that nothing senses": ({"senses: A.ao1": "senses: A.ao2"}, "A.ao2",
        "no signal senses the analog outputs ao1 of RH16 in slot A; this one senses A.ao3",
        "  analog-outputs:", "signals with `senses: A.ao1`", "A.ao1"),
    "a current driven as a voltage": (
        {"unit: mA, drives: A.ai1, accuracy: 0.03 % + 4 uA": "unit: V, drives: A.ai1, accuracy: 0.03 % + 4 uV"},
        "V, drives: A.ai1", "ai1 of RH16 is 4..20 mA, but its signal is in V, which is no current",
        "    ai1..ai4:", "the unit of a current: nA, uA, mA, A", ""),
    "a lamp that nothing sees": ({"senses: A.lamp-green": "senses: A.lamp-gren"}, "A.lamp-gren",
        "no signal senses the lamps lamp-green of RH16 in slot A; this one senses A.lamp-gren",
        "indicator: {healthy", "signals with `senses: A.lamp-green`", "A.lamp-green"),
    "a switch that is driven in part": ({"  s1..s3: {io": "  s1..s2: {io", "at s1..at s3": "at s1..at s2"},
        "signals:", "no signal drives the contacts of the mode switch s3 of RH16 in slot A", "  switch:",
        "signals with `drives: A.s3`", ""),
    "a switch that nothing moves": (
        {"drives: A.s1": "settle: 1 ms",
         "move-switch: Turn the mode switch of slot {slot} to {position}.": "timeout: 1 min"}, "signals:",
        "no signal drives the contacts of the mode switch s1 to s3 of RH16 in slot A", "  switch:",
        "signals with `drives: A.s1`", ""),
    "a ceiling that kills the unit": (
        {"voltage: 30 V, current": "voltage: 33 V, current", "overvoltage: 31 V": "read-termination: x"},
        "33 V", "the voltage ceiling of supply main, 33 V, lies above the absolute maximum of RH16",
        "  absolute-maximum", "at most 32 V", ""),
    "a protection that comes too late": ({"overvoltage: 31 V": "overvoltage: 32.5 V"}, "32.5 V",
        "the over-voltage protection of supply main, 32.5 V, lies above the absolute maximum of RH16",
        "  absolute-maximum", "at most 32 V", ""),
    "a ceiling below the supply range": ({"voltage: 30 V, current": "voltage: 28 V, current"}, "28 V",
        "the voltage ceiling of supply main, 28 V, does not reach the supply range of RH16", "  supply-range",
        "at least 28.8 V", ""),
    "a ceiling below the current limit": ({"current: 3 A": "current: 1 A"}, "1 A}",
        "the current ceiling of supply main, 1 A, does not reach the current limit of RH16",
        "  current-limit", "at least 1.5 A", ""),
    "a port that is not wired": (
        {"      port 2: {resource: ASRL/dev/ttyUSB1::INSTR, adapter: serial adapter 2, cable: cable S2}\n": ""},
        "ports:", "port 2 of RH16 is not wired in slot A", "  port 2: {partner",
        "the key 'port 2' with a resource", ""),
    "a port whose name is misspelt": ({"      port 2: {resource": "      port2: {resource"}, "port2:",
        "RH16 has no 'port2'", "ports:\n  port 1: {partner", "one of port 1, port 2", "port 2"),
    "a port that the unit lacks": ({"    neighbours:": "      port 9: {resource: /dev/ttyUSB9}\n    neighbours:"},
        "port 9:", "RH16 has no 'port 9'", "ports:\n  port 1: {partner", "one of port 1, port 2", ""),
    "a neighbour where there is no place": ({"3: AI4}": "3: AI4, 4: AI4}"}, "4: AI4}",
        "RH16 has no rack position 4", "rack-positions", "a position from 1 to 3", ""),
    "a neighbour of an unknown type": ({"3: AI4}": "3: AI5}"}, "AI5", "RH16 knows no module 'AI5'",
        "    types:", "one of empty, DI16, DO16, AI4", "AI4"),
    "a unit at the address of the stand": ({'"192.0.2.30:502"': '"192.0.2.20:502"'}, '"192.0.2.20:502"',
        "the unit in slot A and io rack are both device 1 at 192.0.2.20:502", "  device-id: 1",
        "an address or a device number of its own", ""),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_a_stand_that_misses_one_need_gets_one_sentence(case: str, break_stand: Break) -> None:
    """A stand that does not serve the unit in one point yields one problem, at that place, in these words."""
    changes, snippet, wrong, origin, expected, nearest = CASES[case]
    broken = break_stand(changes)
    profile = UNIT.read_text(encoding="utf-8")
    line = profile[: profile.index(f"\n{origin}") + 1].count("\n") + 1
    said = f"{wrong} ({UNIT}:{line})"
    only = broken.only()
    assert only.wrong.startswith(said), only.wrong
    assert only == broken.problem(snippet, only.wrong, expected, nearest)


def test_a_person_may_move_the_switch(break_stand: Break) -> None:
    """Contacts that nothing drives are fine when a text tells a person to move the switch."""
    assert break_stand({"drives: A.s1": "settle: 1 ms"}).problems == ()


def test_a_person_may_look_at_the_lamps(break_stand: Break) -> None:
    """Lamps without a sensor are fine when a text asks a person to look at them."""
    changes = {
        "senses: A.lamp-green": "settle: 1 ms",
        "  move-switch": "  look-at-indicator: Look.\n  move-switch",
    }
    assert break_stand(changes).problems == ()


def test_outputs_may_be_sensed_as_voltages_alone(break_stand: Break) -> None:
    """A voltage tells whether an output is on, so no bit is needed."""
    assert break_stand({"senses: A.q01}": "settle: 1 ms}"}).problems == ()


def test_a_switch_without_contacts_needs_a_person(tmp_path: Path) -> None:
    """A switch that has no contacts for the stand needs a text for the person who moves it."""
    profile = tmp_path / "unit.yaml"
    text = UNIT.read_text(encoding="utf-8")
    for number in (1, 2, 3):
        text = text.replace(f", contact: s{number}", "")
    profile.write_text(text, encoding="utf-8")
    stand = tmp_path / "stand.yaml"
    text = (STANDS / "sim-bench.yaml").read_text(encoding="utf-8")
    stand.write_text(text.replace("move-switch: Turn", "look-at-indicator: Turn"), encoding="utf-8")
    with pytest.raises(DescriptionError, match="nothing moves the mode switch of RH16 in slot A"):
        describe_visit(stand, {"A": profile})
    assert describe_visit(STANDS / "sim-bench.yaml", {"A": profile}).profiles["A"].part == "RH16"


def test_an_unknown_slot_is_named() -> None:
    """A unit put into a slot that the stand lacks is refused, with the slots it has."""
    with pytest.raises(DescriptionError, match=r"there is no slot 'B' on this stand; expected one of A"):
        describe_visit(STANDS / "sim-bench.yaml", {"B": UNIT})


def test_all_files_are_reported_at_once(tmp_path: Path) -> None:
    """One visit with faults in both files raises one error with the faults of both."""
    stand, profile = tmp_path / "stand.yaml", tmp_path / "unit.yaml"
    text = (STANDS / "sim-bench.yaml").read_text(encoding="utf-8")
    stand.write_text(text.replace("supply: main", "supply: mane"), encoding="utf-8")
    text = UNIT.read_text(encoding="utf-8")
    profile.write_text(text.replace("supply: 24 V", "supply: 24"), encoding="utf-8")
    with pytest.raises(DescriptionError) as caught:
        describe_visit(stand, {"A": profile})
    assert [problem.path for problem in caught.value.problems] == [stand, profile]


def test_a_sound_visit_holds_everything() -> None:
    """A visit gives the stand and the profile of each slot, with the paths they came from."""
    visit = describe_visit(STANDS / "sim-bench.yaml", {"A": UNIT})
    assert visit.stand.stand == "sim-bench"
    assert visit.profiles["A"].part == "RH16"
    assert visit.stand_path == STANDS / "sim-bench.yaml"
    assert visit.profile_paths == {"A": UNIT}
