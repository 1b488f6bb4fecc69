"""Each fault a profile can have by itself: a file that breaks exactly one thing, and what is said."""

# ruff: noqa: E501 - the changes are lines of the files

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

Break = Callable[[dict[str, str]], Any]

AO = "register: {table: holding register, address: 20, type: int16, scale: 0.001, unit: V}"
AI = "register: {table: input register, address: 20, type: int16, scale: 0.001, unit: mA}"
DECIMAL = "a zero-based address, or `high-addresses: true` for a device that really counts so far"

#: id -> changes, the snippet pointed at, what is wrong, what was expected, the nearest word
CASES: dict[str, tuple[dict[str, str], str, str, str, str]] = {
    "rated supply outside its range": ({"supply: 24 V": "supply: 19 V"}, "ratings:",
        "the rated supply 19 V lies outside supply-range", "a value inside", ""),
    "absolute maximum inside the range": ({"absolute-maximum: 32 V": "absolute-maximum: 28 V"}, "ratings:",
        "absolute-maximum 28 V lies below the upper end of supply-range (28.8 V)", "at least that", ""),
    "a current above the limit": ({"live-current: 100..155 mA": "live-current: 100..1550 mA"}, "100..1550 mA",
        "live-current goes up to 1.55 A, but the supply is limited to 1.5 A",
        "less than `ratings.current-limit`", ""),
    "a negative current": ({"idle-current: 85..135 mA": "idle-current: -85..135 mA"}, "-85..135 mA",
        "idle-current begins below zero", "a range of currents from 0 A", ""),
    "a required stage almost as one there is": ({"rack-positions: 3": "rack-positions: 3\nrequired-stages: [sok]"},
        "sok]", "there is no stage 'sok'", "", "soak"),
    "a key reading almost as one there is": ({"key-readings: [time to ready": "key-readings: [time to redy"},
        "time to redy", "there is no reading 'time to redy'", "", "time to ready"),
    "a key reading twice": (
        {"key-readings: [time to ready, idle current": "key-readings: [time to ready, time to ready"},
        "time to ready, live current", "the reading 'time to ready' stands here a second time", "each once",
        ""),
    "a waived reading almost as one there is": (
        {"rack-positions: 3": "rack-positions: 3\nwaived-readings: {clock drfit: no time}"}, "clock drfit",
        "there is no reading 'clock drfit'", "", "clock drift"),
    "an inrush in mA for A": ({"inrush-peak: 2.5 A": "inrush-peak: 25 mA"}, "25 mA",
        "an inrush peak of 0.025 A is less than the unit draws when idle", "0.135 A or more", ""),
    "a leakage in A for mA": ({"leakage: 0.5 mA": "leakage: 0.5 A"}, "0.5 A\n  inputs",
        "a leakage of 0.5 A is no less than the rated current (and 15 more like it)", "less than 0.5 A", ""),
    "a battery in mV for V": ({"lowest: 2.6 V": "lowest: 2.6 mV"}, "2.6 mV",
        "lowest 0.0026 V is less than half of nominal: that battery would be empty", "at least 1.5 V", ""),
    "a soak hotter than the case may be": ({"ambient: 30 degC": "ambient: 300 degC"}, "300 degC",
        "the soak's ambient of 300 \u00b0C is no less than the highest case temperature",
        "less than `highest-case`, 70 \u00b0C", ""),
    "a cold start that is none": ({"off: 3 s}": "off: 3 ms}"}, "3 ms",
        "off 3 ms is shorter than the unit's off-time: no start would be cold",
        "at least 2 s (`start.off-time`)", ""),
    "a battery limit above nominal": ({"lowest: 2.6 V": "lowest: 3.6 V"}, "3.6 V",
        "lowest 3.6 V is not below nominal 3 V", "less than 3 V", ""),
    "a ride-through longer than is tried": ({"ride-through: 10 ms": "ride-through: 10 s"}, "10 s, longest",
        "ride-through (10 s) is longer than longest-interruption (200 ms)", "at most 200 ms", ""),
    "a unit left alone longer than it may take": ({"startup-quiet: 1 s": "startup-quiet: 5 s"}, "5 s\n  idle",
        "startup-quiet (5 s) is longer than half of ready-within (2 s)", "at most 2 s", ""),
    "a soak shorter than its period": (
        {"duration: 72 h": "duration: 0.5 s", "pattern-period: 60 s": "pattern-period: 0.1 s"}, "1 s\n  mode",
        "period (1 s) is longer than duration (500 ms)", "at most 500 ms", ""),
    "a power cycle longer than its interval": ({"off: 30 s}": "off: 30 h}"}, "30 h}",
        "off (30 h) is longer than every (12 h)", "at most 12 h", ""),
    "a switch position in an unreported mode": (
        {"values: {stopped: 0, held: 1, live: 2}": "values: {stopped: 0, live: 2}"}, "held, contact: s2",
        "the mode in position hold is held, which the unit does not report",
        "one of stopped, live, or a number for held in `link.mode.values`", ""),
    "a soak in a mode that cannot be reached": ({"run: {mode: live, contact: s3}": "run: {mode: held, contact: s3}"},
        "live\n  pattern", "the soak runs in mode live, but nothing brings the unit into it",
        "one of held, stopped, or a switch position or mode-command for live", ""),
    "loading in a mode that cannot be reached": (
        {"stop: {mode: stopped, contact: s1}": "stop: {mode: held, contact: s1}",
         "at-start: stopped": "at-start: held"}, "stopped\n\nbattery",
        "the configuration is loaded in mode stopped, but nothing brings the unit into it",
        "one of held, live, or a switch position or mode-command for stopped", ""),
    "two modes with one number": ({"{stopped: 0, held: 1, live: 2}": "{stopped: 0, held: 1, live: 1}"},
        "1}}\n  indicator", "live and held have the same number 1", "a number of its own for each", ""),
    "a mode number too large for its bit": (
        {"mode: {table: input register, address: 0, values:": "mode: {table: input register, address: 0, bit: 0, values:"},
        "2}}\n  indicator", "live has the number 2, but the register is one bit", "0 or 1", ""),
    "one contact in two positions": ({"contact: s3": "contact: s2"}, "s2}\n\nindicator",
        "the contact s2 closes in hold and in run", "a contact of its own for each position", ""),
    "two positions without a contact": (
        {"mode: held, contact: s2": "mode: held", "mode: live, contact: s3": "mode: live"},
        "run: {mode: live}", "the positions hold and run have no contact, so nothing tells them apart",
        "a contact for all positions but one", ""),
    "an output that cannot be written": (
        {"command: {table: coil, address: 0}": "command: {table: discrete input, address: 200}"},
        "discrete input, address: 200",
        "the command of q01 is a discrete input, which cannot be written (and 15 more like it)",
        "a coil or a holding register", ""),
    "a number that does not fit its command": (
        {"clear: {table: coil, address: 100}": "clear: {table: coil, address: 100}\n  clear-value: 7"},
        "clear: {table", "7 cannot be written to the `clear` register, a bit", "a number from 0 to 1", ""),
    "a configuration of bits": (
        {"first: {table: holding register, address: 1000}": "first: {table: coil, address: 1000}"},
        "first: {table: coil", "the configuration cannot consist of bit values",
        "a holding or input register of 16 bits", ""),
    "a configuration across another register": (
        {"first: {table: holding register, address: 1000}": "first: {table: holding register, address: 10}"},
        "10}\n  content",
        "the configuration lies on the same address as the register of ao1 (holding register 20) (and 1 more like it)",
        "an address, or a bit, of its own", ""),
    "a configuration beyond the last address": (
        {"first: {table: holding register, address: 1000}": "first: {table: holding register, address: 65530}"},
        "65530", "the configuration ends at address 65561", "an end at or below 65535", ""),
    "a fault table across another register": (
        {"count: {table: input register, address: 3}": "count: {table: input register, address: 163}"},
        "100}\n  entries", "the fault table lies on the same address as the fault count (input register 163)",
        "an address, or a bit, of its own", ""),
    "a documentation number": (
        {"table: {table: input register, address: 100}": "table: {table: input register, address: 30101}"},
        "30101",
        ("30101 looks like the documentation number of an input register; addresses here are zero-based as on "
         "the wire: write 100"),
        DECIMAL, ""),
    "a supply voltage in milliamperes": ({"address: 4, scale: 0.001, unit: V": "address: 4, scale: 0.001, unit: mA"},
        "mA}\n  temperature", "the `supply-voltage` register has the unit 'mA'", "the unit of a voltage", ""),
    "a clock without a unit": ({"type: uint32, scale: 0.001, unit: s}": "type: uint32, scale: 0.001}"},
        "clock: {table", "the `clock` register has no unit", "the unit of a time", ""),
    "an analog point in another dimension": ({AI: AI.replace("mA", "V")}, "V}\n      kind: 4..20 mA",
        "ai1 is 4..20 mA, but its register has the unit 'V' (and 3 more like it)",
        "a unit of current or ratio", ""),
    "an accuracy in another unit": (
        {"kind: 0..10 V\n      accuracy: 0.5 % of range": "kind: 0..10 V\n      accuracy: 7 mA"}, "7 mA",
        "'7 mA' is no accuracy of a channel in V (and 1 more like it)",
        "an accuracy such as 0.05 % + 10 mV, 0.3 % of range, or a sum of these", ""),
    "code and place in one register": ({"  place: 1\n": "  place: 0\n"}, "0\n  time: 2",
        "`place` and `code` share register 0 of a record", "an offset of its own for each", ""),
    "a time outside the record": ({"  time: 2\n": "  time: 3\n"}, "3\n  clear: {",
        "`time` lies outside a record of 4 words", "an offset below 3", ""),
    "an order of a time that is not there": ({"  time: 2\n": "  time-order: low first\n"}, "low first",
        "`time-order` is for a time that no record holds", "`time` as well", ""),
    "a code that a slow ramp never leaves": ({"at-slow-ramp: 0x31": "at-slow-ramp: 0x32"}, "0x32\n",
        "the code 0x32 of a slow ramp is not in this fault table", "one of the codes under `codes`", ""),
    "the code of an empty record": ({"    0x12: {": "    0: {meaning: none, cause: none, remedy: none}\n    0x12: {"},
        "0: {meaning: none", "the code 0 means an empty record", "a code from 1", ""),
    "a code of more than one register": (
        {"    0x71: {": "    0x71000: {meaning: none, cause: none, remedy: none}\n    0x71: {"}, "0x71000",
        "462848 does not fit one register", "a number from 0 to 65535", ""),
    "a fault place that the unit lacks": ({"116: q16}": "116: q17}"}, "q17", "the unit has no 'q17'",
        "the name of a point, a port or a neighbour as in this profile", "q16"),
    "fault places that no record holds": ({"  place: 1\n": "  place: null\n"}, "places: {0",
        "places have names, but `place` says that a record holds none",
        "an offset in `place`, or no `places`", ""),
    "a contact called like a point": ({"contact: s1": "contact: i07"}, "i07",
        "the terminal 'i07' is a contact and an input", "a name of its own for each", ""),
    "soak traffic on an unknown port": ({"port-traffic: [port 1]": "port-traffic: [port 1, port 3]"},
        "port 3", "the unit has no port 'port 3'", "one of port 1, port 2", ""),
    "soak traffic twice on one port": ({"port-traffic: [port 1]": "port-traffic: [port 1, port 2, port 1]"},
        "port 1]", "port 1 stands here twice", "each port once", ""),
    "a soak of ages": ({"duration: 72 h": "duration: 1e300 h"}, "1e300 h",
        "a soak of 1e+300 h is longer than a year", "at most 365 d", ""),
    "an ambient below absolute zero": ({"ambient: 30 degC": "ambient: -300 degC"}, "-300 degC",
        "-300 degC lies below absolute zero", "-273.15 degC or more", ""),
    "a soak current above the limit": ({"cover: closed": "cover: closed\n  current: 1.6..1.8 A"},
        "1.6..1.8 A", "current begins at 1.6 A, but the supply is limited to 1.5 A",
        "less than `ratings.current-limit`", ""),
    "a soak current at the limit": ({"cover: closed": "cover: closed\n  current: 1.5..1.8 A"}, "1.5..1.8 A",
        "current begins at 1.5 A, but the supply is limited to 1.5 A", "less than `ratings.current-limit`",
        ""),
    "a pattern faster than its samples": ({"pattern-period: 60 s": "pattern-period: 500 ms"},
        "500 ms\n  cover", "a step of the pattern (500 ms) is shorter than `period` (1 s)", "at least 1 s",
        ""),
    "a pattern faster than the outputs": (
        {"  period: 1 s": "  period: 10 ms", "pattern-period: 60 s": "pattern-period: 20 ms"},
        "20 ms\n  cover",
        "a step of the pattern (20 ms) is shorter than `settle` of the slowest output (50 ms)",
        "at least 50 ms", ""),
    "samples before an event slower than the others": ({"cover: closed": "cover: closed\n  pre-trigger-period: 2 s"},
        "2 s\n  ambient", "pre-trigger-period (2 s) is longer than period (1 s)", "at most 1 s", ""),
    "a claim that takes weeks of starts": ({"{start-probability: 0.90": "{start-probability: 0.99999"},
        "0.99999",
        "a start probability of 0.99999 with confidence 0.9 needs 230258 cold starts, up to 18 d 16 h",
        "a claim that 100000 starts can prove", ""),
    "a sequential plan that is cut off after one start": (
        {"{start-probability: 0.90": "{plan: sequential, worst-probability: 0.6, max-starts: 1, "
         "start-probability: 0.90"},
        "1, start-probability",
        ("cut off after 1 starts the sequential plan passes a unit that starts with a probability of only 0.6 with a "
         "risk of 60 %, not of 10 %"),
        "more starts, such as 54, or a larger risk stated", ""),
    "a sequential claim that takes weeks of starts": (
        {"{start-probability: 0.90": "{plan: sequential, worst-probability: 0.899, start-probability: 0.90"},
        "0.90, confidence",
        "telling a start probability of 0.9 from 0.899 needs up to about 2320000 cold starts, up to 187 d 23 h",
        "a claim that 100000 starts can prove", ""),
    "risks that decide nothing": (
        {"{start-probability: 0.90": "{plan: sequential, worst-probability: 0.8, producer-risk: 0.5, "
         "consumer-risk: 0.5, start-probability: 0.90"},
        "cycling:", "producer-risk and consumer-risk make 1 or more", "a sum below 1", ""),
    "no number for an empty position": ({"{empty: 0, DI16: 11": "{DI16: 11"}, "types:",
        "no number is given for an empty rack position", "the type `empty`", ""),
    "two modules with one number": ({"DO16: 12": "DO16: 11"}, "11, AI4",
        "DO16 and DI16 have the same number 11", "a number of its own for each", ""),
    "a twin that never stops": (
        {"rack-positions: 3": "rack-positions: 3\ntwin: {start-above: 15 V, stop-below: 16 V}"}, "twin:",
        "the twin starts above 15 V but stops only below 16 V", "start-above greater than stop-below", ""),
    "a record of faults longer than one request": (
        {"link:\n  device-id: 1\n": "link:\n  device-id: 1\n  max-read: 3\n"}, "4\n  code: 0",
        "a record of 4 registers, but the unit has `max-read: 3`",
        "at most 3 registers, so that one request reads it whole", ""),
    "a 32-bit value where registers are written singly": (
        {"link:\n  device-id: 1\n": "link:\n  device-id: 1\n  writes: single\n",
         "address: 20, type: int16, scale: 0.001, unit: V}": "address: 20, type: int32, scale: 0.001, unit: V}"},
        "int32, scale: 0.001, unit: V}",
        "the register of ao1 takes two registers (int32), but its device has `writes: single` (and 1 more like it)",
        "a value of one register, or what the device really takes in one request", ""),
    "a twin that does not start where it must work": (
        {"rack-positions: 3": "rack-positions: 3\ntwin: {start-above: 22 V}"}, "start-above",
        "the twin starts only above 22 V, inside the supply-range", "at most 20.4 V", ""),
    "a sequential plan without its worst case": (
        {"{start-probability: 0.90": "{plan: sequential, start-probability: 0.90"}, "cycling:",
        "a sequential plan needs worst-probability", "a value below start-probability", ""),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_a_profile_with_one_fault_gets_one_sentence(case: str, break_profile: Break) -> None:
    """A profile that breaks one thing yields one problem, at that place, in these words."""
    changes, snippet, wrong, expected, nearest = CASES[case]
    broken = break_profile(changes)
    assert broken.only() == broken.problem(snippet, wrong, expected, nearest)


def test_a_mode_command_that_is_not_reported_is_found(break_other_profile: Break) -> None:
    """A mode that can be commanded must be one that is reported."""
    broken = break_other_profile({"values: {stopped: 1, live: 2}": "values: {stopped: 1, held: 3, live: 2}"})
    assert broken.only().wrong == "the commanded mode is held, which the unit does not report"


def test_a_high_address_is_allowed_where_the_device_has_it(break_profile: Break) -> None:
    """`high-addresses: true` says that 40001 is meant as it stands."""
    broken = break_profile(
        {
            "first: {table: holding register, address: 1000}": "first: {table: holding register, address: 41001}",
            "modbus-loopback: true": "modbus-loopback: true\n  high-addresses: true",
        }
    )
    assert broken.problems == ()


@pytest.mark.parametrize(
    "changes",
    [
        {"pattern-period: 60 s": "pattern-period: 1 s"},
        {"cover: closed": "cover: closed\n  current: 1.49..1.6 A"},
        {"duration: 72 h": "duration: 1 s", "pattern-period: 60 s": "pattern-period: 1 s"},
    ],
    ids=["a step of one sample", "a current that just can flow", "a soak of one sample"],
)
def test_a_plan_at_the_edge_of_what_can_be_done_is_taken(
    changes: dict[str, str], break_profile: Break
) -> None:
    assert break_profile(changes).problems == ()


def test_an_address_in_hexadecimal_is_no_documentation_number(break_profile: Break) -> None:
    """Nobody writes documentation numbers in hexadecimal, so such an address is taken as it stands."""
    assert break_profile({"address: 1000}": "address: 0x9C41}"}).problems == ()


def test_one_command_register_may_take_several_commands(break_profile: Break) -> None:
    """Clearing faults and storing the configuration may be two numbers in one register."""
    broken = break_profile(
        {
            "clear: {table: coil, address: 100}": "clear: {table: holding register, address: 90}\n  clear-value: 3",
            "store: {table: coil, address: 101}": "store: {table: holding register, address: 90}\n  store-value: 5",
        }
    )
    assert broken.problems == ()


def test_a_mode_may_be_commanded_where_it_is_reported(break_other_profile: Break) -> None:
    """Reported mode and mode command may share one holding register."""
    assert (
        break_other_profile(
            {
                "mode-command: {table: holding register, address: 301": "mode-command: {table: holding register, address: 300"
            }
        ).problems
        == ()
    )
