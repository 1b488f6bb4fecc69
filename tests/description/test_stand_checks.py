"""Each fault a stand file can have by itself: a file that breaks exactly one thing, and what is said."""

# ruff: noqa: E501 - the changes are lines of the files

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

#: What the fixtures of conftest.py give: changes in, a broken file out.
Break = Callable[[dict[str, str]], Any]

MEASURED = 'commands: {measure-both: "MEAS:VOLT?;:MEAS:CURR?", '

#: id -> changes, the snippet pointed at, what is wrong, what was expected, the nearest word
CASES: dict[str, tuple[dict[str, str], str, str, str, str]] = {
    "signal of an unknown io": ({"cover: {io: rack,": "cover: {io: rak,"}, "rak,",
        "there is no io 'rak' in this file", "one of rack", "rack"),
    "terminal of an unknown slot": ({"senses: A.lamp-red": "senses: B.lamp-red"}, "B.lamp-red",
        "there is no slot 'B' in this file", "one of A", ""),
    "slot of an unknown supply": ({"supply: main": "supply: mian"}, "mian",
        "there is no supply 'mian' in this file", "one of main", "main"),
    "an instrument without an error": ({"accuracy: 0.1 % + 2 mV": "accuracy: 0 %"}, "0 %, load",
        "no instrument is without an error (and 15 more like it)", "what its data sheet states", ""),
    "exclusive part that nobody drives": ({"safety:": "exclusive: {load bank: [cover]}\n\nsafety:"}, "cover]",
        "the signal 'cover' cannot be driven: it is a discrete input",
        "a signal that can be written and senses nothing", ""),
    "loopback of an unknown signal": ({"drive: loop-out": "drive: loop-ot"}, "loop-ot,",
        "there is no signal 'loop-ot' in this file",
        ("one of q01, q02, q03, q04, q05, q06, q07, q08, q09, q10, q11, q12, q13, q14, q15, q16, lamp-green, "
         "lamp-red, cover, loop-in ..."),
        "loop-out"),
    "loopback that drives a sense": ({"drive: loop-out": "drive: q01"}, "q01, sense: loop-in",
        "the signal 'q01' cannot be driven: it senses A.q01",
        "a signal that can be written and senses nothing", ""),
    "loopback that drives an input table": ({"drive: loop-out": "drive: cover"}, "cover, sense: loop-in",
        "the signal 'cover' cannot be driven: it is a discrete input",
        "a signal that can be written and senses nothing", ""),
    "loopback that senses a drive": ({"sense: loop-in": "sense: s1"}, "s1}\n  at i01",
        "the signal 's1' drives A.s1", "a signal that senses, or a free one", ""),
    "loopback from a signal to itself": ({"sense: loop-in": "sense: loop-out"}, "spare relay:",
        "both ends are 'loop-out'", "two different signals", ""),
    "interlock on an unknown signal": ({"signal: cover": "signal: covr"}, "covr",
        "there is no signal 'covr' in this file",
        ("one of q01, q02, q03, q04, q05, q06, q07, q08, q09, q10, q11, q12, q13, q14, q15, q16, lamp-green, "
         "lamp-red, cover, loop-in ..."),
        "cover"),
    "interlock on a drive": ({"signal: cover": "signal: s2"}, "s2,",
        "the signal 's2' is driven by the stand itself (A.s2)", "a signal that only reads", ""),
    "interlock with an impossible safe value": ({"safe: 1": "safe: 2"}, "2, meaning",
        "the signal 'cover' is one bit and is never 2", "0 or 1", ""),
    "two drives on one terminal": ({"safe-value: 0}": "safe-value: 0, drives: A.s2}"}, "A.s2",
        "the terminal A.s2 is driven twice, by 's2' and 'loop-out'", "one drive for each terminal", ""),
    "a bit that rests at two": (
        {"safe-value: 0}": "safe-value: 2}"},
        "2}\n  # Read",
        "the signal 'loop-out' is one bit and cannot rest at 2",
        "0 or 1",
        "",
    ),
    "two signals on one bit": (
        {"cover: {io: rack, table: discrete input, address: 18}": "cover: {io: rack, table: discrete input, address: 17}"},
        "17}\n", "the signal 'cover' lies on the same address as the signal 'lamp-red' (discrete input 17)",
        "an address, or a bit, of its own", ""),
    "a range that runs into a signal": (
        {"i01..i16: {io: rack, table: coil, address: 0,": "i01..i16: {io: rack, table: coil, address: 2,"},
        "16, drives: A.s1",
        "the signal 's1' lies on the same address as the signal 'i15' (coil 16) (and 1 more like it)",
        "an address, or a bit, of its own", ""),
    "half of a 32-bit value": (
        {"ambient: {io: rack, table: input register, address: 17, type: int16": "ambient: {io: rack, table: input register, address: 17, type: int32"},
        "18, scale: 0.0005, unit: V",
        "the signal 'ao1' lies on the same address as the signal 'ambient' (input register 18)",
        "an address, or a bit, of its own", ""),
    "a documentation number": (
        {"cover: {io: rack, table: discrete input, address: 18}": "cover: {io: rack, table: discrete input, address: 10019}"},
        "10019",
        ("10019 looks like the documentation number of a discrete input; addresses here are zero-based as on "
         "the wire: write 18"),
        "a zero-based address, or `high-addresses: true` for a device that really counts so far", ""),
    "a documentation number of six digits": (
        {"cover: {io: rack, table: discrete input, address: 18}": "cover: {io: rack, table: discrete input, address: 100019}"},
        "100019",
        ("100019 looks like the documentation number of a discrete input; addresses here are zero-based as on "
         "the wire: write 18"),
        "a zero-based protocol address from 0 to 65535", ""),
    "a documentation number of another table": (
        {"address: 17, type: int16, scale: 0.1, unit: degC}": "address: 40018, type: int16, scale: 0.1, unit: degC}"},
        "40018",
        ("40018 looks like the documentation number of a holding register; addresses here are zero-based as on "
         "the wire: write 17, and look at the table: it says input register"),
        "a zero-based address, or `high-addresses: true` for a device that really counts so far", ""),
    "a 32-bit drive where registers are written singly": (
        {"    device-id: 1\n": "    device-id: 1\n    writes: single\n",
         "safe-value: 0}": "safe-value: 0}\n  setpoint: {io: rack, table: holding register, address: 900, type: float32, drives: A.sp}"},
        "float32, drives: A.sp",
        "the signal 'setpoint' takes two registers (float32), but its device has `writes: single`",
        "a value of one register, or what the device really takes in one request", ""),
    "a 32-bit signal where one register is read at once": (
        {"    device-id: 1\n": "    device-id: 1\n    max-read: 1\n",
         "safe-value: 0}": "safe-value: 0}\n  level: {io: rack, table: input register, address: 900, type: float32}"},
        "float32}", "the signal 'level' takes two registers (float32), but its device has `max-read: 1`",
        "a value of one register, or what the device really takes in one request", ""),
    "an unknown unit": (
        {"address: 17, type: int16, scale: 0.1, unit: degC}": "address: 17, type: int16, scale: 0.1, unit: C}"},
        "C}\n  ao1", "'C' is not a known unit",
        ("one of the units uV, mV, V, kV, nA, uA, mA, A, mOhm, Ohm, kOhm, MOhm, pF, nF, uF, mF, F, mW, W, kW, "
         "us, ms, s, min, h, d, a, degC, mK, K, Hz, kHz, MHz, Bd, kBd, %, ppm, K/W, uAs, mAs, As, V/s, V/ms"),
        "degC"),
    "an accuracy in another unit": ({"accuracy: 0.02 % + 2 mV": "accuracy: 0.02 % + 2 mA"}, "0.02 % + 2 mA",
        "'0.02 % + 2 mA' is no accuracy of a channel in V (and 1 more like it)",
        "an accuracy such as 0.05 % + 10 mV, 0.3 % of range, or a sum of these", ""),
    "a network with bits of a host": ({"network: 192.0.2.0/24": "network: 192.0.2.7/24"}, "192.0.2.7/24",
        "'192.0.2.7/24' is no subnet", "a subnet such as 192.0.2.0/24", "192.0.2.0/24"),
    "an address outside the network": ({"address: 192.0.2.20:502": "address: 192.0.3.20:502"},
        "192.0.3.20:502", "io rack has the address 192.0.3.20, outside the network 192.0.2.0/24",
        "an address in 192.0.2.0/24", ""),
    "the address of the network itself": ({"address: 192.0.2.20:502": "address: 192.0.2.0:502"},
        "192.0.2.0:502", "192.0.2.0 is the network itself", "the address of a host", ""),
    "the broadcast address": ({"address: 192.0.2.20:502": "address: 192.0.2.255:502"}, "192.0.2.255:502",
        "192.0.2.255 is the broadcast address", "the address of a host", ""),
    "an address of five hundred": ({"address: 192.0.2.20:502": "address: 192.0.2.500:502"}, "192.0.2.500:502",
        "192.0.2.500 is no IP address (500 between its dots)", "four numbers from 0 to 255", ""),
    "two ports on one serial line": ({"ASRL/dev/ttyUSB1::INSTR": "ASRL/dev/ttyUSB0::INSTR"},
        "ASRL/dev/ttyUSB0::INSTR", "port 2 of slot A has the same address as port 1 of slot A: /dev/ttyUSB0",
        "an address of its own", ""),
    "a misspelt VISA resource": ({"TCPIP::192.0.2.10::5025::SOCKET": "TCPIP::192.0.2.10:5025::SOCKET"},
        "TCPIP::192.0.2.10:5025::SOCKET", "'TCPIP::192.0.2.10:5025::SOCKET' is no VISA resource",
        ("TCPIP::HOST::PORT::SOCKET, TCPIP::HOST::INSTR, USB::MAKER::MODEL::SERIAL::INSTR, GPIB::0::INSTR "
         "to GPIB::30::INSTR or ASRL<port>::INSTR"),
        ""),
    "a port that does not exist": ({"TCPIP::192.0.2.10::5025::SOCKET": "TCPIP::192.0.2.10::70000::SOCKET"},
        "TCPIP::192.0.2.10::70000::SOCKET", "there is no port 70000", "a port from 1 to 65535", ""),
    "a protection below the ceiling": ({"overvoltage: 31 V": "overvoltage: 30 V"}, "30 V\n    accuracy",
        "the `overvoltage` protection at 30 V would trip at the voltage ceiling of 30 V", "a level above it",
        ""),
    "a protection that the supply lacks": ({MEASURED: MEASURED + "set-overvoltage: none, "}, "31 V",
        "`overvoltage` is given, but `set-overvoltage: none` says that the supply has none",
        "one or the other", ""),
    "a template that sets nothing": ({MEASURED: MEASURED + "set-voltage: VOLT, "}, "VOLT, ",
        "'VOLT' sets nothing", "a command with {value} in it", ""),
    "a query that asks nothing": ({MEASURED: MEASURED + "read-output: OUTP, "}, "OUTP, ",
        "'OUTP' asks nothing", "a query with ? in it", ""),
    "a template with a strange brace": ({MEASURED: MEASURED + 'output-on: "OUTP ON,{channel}", '},
        '"OUTP ON,{channel}"', "'OUTP ON,{channel}' is not a command template ('channel')",
        "no braces but {value} and {output}", ""),
    "a value where there is none": ({MEASURED: MEASURED + 'output-on: "OUTP ON,{value}", '},
        '"OUTP ON,{value}"', "'OUTP ON,{value}' asks for a value, but there is none here",
        "a command without {value}", ""),
    "a needed command that is none": ({MEASURED: MEASURED + "output-off: null, "}, "null",
        "nothing is written here", "a text", ""),
    "a command that hilseq cannot do without": ({MEASURED: MEASURED + "output-off: none, "}, "none",
        "hilseq cannot do without this command", "the supply's own, not `none`", ""),
    "a supply that does not measure its current": ({MEASURED: "commands: {measure-current: none, "}, "none",
        ("a supply that does not measure its current cannot be used: by its readings a fault of the unit is distinguished from "
         "one of the stand"),
        "the supply's own query, `measure-both` where one query asks for voltage and current, or another supply",
        ""),
    "a supply that does not measure its voltage": ({MEASURED: "commands: {measure-voltage: none, "}, "none",
        ("a supply that does not measure its voltage cannot be used: by its readings a fault of the unit is distinguished from "
         "one of the stand"),
        "the supply's own query, `measure-both` where one query asks for voltage and current, or another supply",
        ""),
    "a drive in a table that cannot be written": (
        {"loop-in: {io: rack, table: discrete input, address: 19}": "loop-in: {io: rack, table: discrete input, address: 19, drives: A.x}"},
        "loop-in: {io", "a discrete input cannot be written", "a drive in a coil or a holding register", ""),
    "a signal that does both": ({"safe-value: 0}": "safe-value: 0, drives: A.x, senses: A.y}"},
        "loop-out: {io", "the signal drives a terminal and senses one", "only one of them", ""),
    "a calibration that ends before it begins": (
        {"{certificate: SIM-IO-1, due: 2099-12-31}": "{certificate: SIM-IO-1, done: 2025-03-01, due: 2024-03-01}"},
        "calibration: {certificate: SIM-IO-1",
        "the calibration is due on 2024-03-01, before it was done on 2025-03-01", "a later day", ""),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_a_stand_with_one_fault_gets_one_sentence(case: str, break_stand: Break) -> None:
    """A stand file that breaks one thing yields one problem, at that place, in these words."""
    changes, snippet, wrong, expected, nearest = CASES[case]
    broken = break_stand(changes)
    assert broken.only() == broken.problem(snippet, wrong, expected, nearest)
