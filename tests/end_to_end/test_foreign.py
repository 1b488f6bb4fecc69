"""Instruments and a unit that are none of ours, known by their stand file and profile alone, in real time."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.end_to_end.conftest import ROOT, MakeVisit

STAND = """
stand: foreign-bench
supplies:
  bench:
    resource: TCPIP::127.0.0.1::{supply}::SOCKET
    identity: {{maker: Hexaware Bench, model: LP-9}}
    read-termination: "\\r\\n"
    commands:
      clear: none
      set-voltage: "SOUR:VOLT {{value}}"
      read-set-voltage: "SOUR:VOLT?"
      set-current: "SOUR:CURR {{value}}"
      read-set-current: none
      set-overvoltage: none
      read-overvoltage: none
      output-on: "SOUR:OUT 1"
      output-off: "SOUR:OUT 0"
      read-output: "SOUR:OUT?"
      measure-voltage: "READ:V?"
      measure-current: "READ:A?"
      next-error: none
    ceilings: {{voltage: 26 V, current: 1 A}}
    settle: 10 ms
io:
  box: {{address: "127.0.0.1:{io}", device-id: 17, max-gap: 0}}
signals:
  sense1..sense4: {{io: box, table: discrete input, address: 300, senses: P.out1}}
  drive1..drive2: {{io: box, table: coil, address: 8, drives: P.in1}}
slots:
  P:
    supply: bench
    link: {{address: "127.0.0.1:{unit}", deadline: 300 ms}}
uncalibrated: {{supply bench: a rig of tests, io box: a rig of tests}}
"""
UNIT = """
part: FC4
ratings: {supply: 24 V, supply-range: 20..26 V, absolute-maximum: 28 V, current-limit: 500 mA}
start: {ready-within: 3 s, idle-current: 40..60 mA, off-time: 200 ms}
identity: {device-identification: false}
link:
  device-id: 3
  mode: {table: holding register, address: 40, values: {stopped: 1, held: 4, live: 7}}
  mode-command: {table: holding register, address: 40, values: {stopped: 1, held: 4, live: 7}}
  indicator: {table: holding register, address: 41, values: {dark: 0, healthy: 3, faulted: 5}}
modes: {change-within: 1 s}
points:
  outputs:
    out1..out4: {command: {table: coil, address: 500}, settle: 20 ms}
  inputs:
    in1..in2: {report: {table: discrete input, address: 0}, settle: 20 ms}
faults:
  count: {table: holding register, address: 42}
  table: {table: holding register, address: 60}
  entries: 2
  words: 2
  clear: {table: holding register, address: 49}
  clear-value: 0xC1EA
  codes:
    7: {meaning: lost its program}
configuration:
  first: {table: holding register, address: 200}
  content: [1, 2, 3, 65535, 0, 9]
  kept-for: 1 s
waived-readings:
  input delay: the rig runs in real time on a busy computer
  switching delay: the rig runs in real time on a busy computer
  time to change: the rig runs in real time on a busy computer
"""

StartRig = Callable[..., dict[str, int]]


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[StartRig]:
    """Start the foreign rig, with a fault if one is named; write its stand file and profile."""
    processes = []

    def start(fault: str = "", profile: str = UNIT) -> dict[str, int]:
        line = [sys.executable, str(Path(__file__).with_name("foreign_rig.py")), fault]
        process = subprocess.Popen(line, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        processes.append(process)
        assert process.stdout is not None
        ports: dict[str, int] = json.loads(process.stdout.readline())
        (tmp_path / "stand.yaml").write_text(STAND.format(**ports), encoding="utf-8")
        (tmp_path / "unit.yaml").write_text(profile, encoding="utf-8")
        return ports

    yield start
    for process in processes:
        process.communicate(timeout=10)


def _output_is_on(port: int) -> bool:
    with socket.create_connection(("127.0.0.1", port), timeout=5) as connection:
        connection.sendall(b"SOUR:OUT?\r\n")
        return connection.recv(16).strip() == b"1"


def test_a_foreign_unit_ships(visit: MakeVisit, rig: StartRig, tmp_path: Path) -> None:
    """The whole job on foreign instruments in real time ends with ship, and with the supply off."""
    ports = rig()
    done = visit(stand=tmp_path / "stand.yaml", unit=tmp_path / "unit.yaml", serial="F-1", simulate=False)
    assert (done.code, done.disposition) == (0, "ship"), done.out[-3000:] + done.err[-2000:]
    assert not _output_is_on(ports["supply"])


#: Fault of the rig -> the place that is reported, and what meets it after power came.
FAULTS = {
    "stuck-off": ("out3", ("60_outputs",)),
    "forgets": ("configuration", ("40_configuration", "45_clock_and_memory")),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_foreign_fault_is_placed(visit: MakeVisit, rig: StartRig, tmp_path: Path, fault: str) -> None:
    """A fault of the foreign unit is found, at its place, and the supply is off afterwards."""
    place, met_by = FAULTS[fault]
    ports = rig(fault)
    done = visit(
        *(str(ROOT / "sequences" / f"test_{name}.py") for name in ("10_power_on", *met_by)),
        stand=tmp_path / "stand.yaml",
        unit=tmp_path / "unit.yaml",
        serial="F-2",
        simulate=False,
    )
    assert (done.code, done.disposition) == (1, "repair"), done.out[-3000:] + done.err[-2000:]
    assert place in done.places
    assert not _output_is_on(ports["supply"])


def test_a_slow_supply_does_not_make_a_unit_quicker(visit: MakeVisit, rig: StartRig, tmp_path: Path) -> None:
    """The unit takes 0.4 s; a supply that confirms in twice that time hides nothing of it."""
    rig("slow-supply")
    done = visit(
        str(ROOT / "sequences" / "test_10_power_on.py"),
        stand=tmp_path / "stand.yaml",
        unit=tmp_path / "unit.yaml",
        serial="F-3",
        simulate=False,
    )
    (check,) = [check for check in done.unit["checks"] if "test_starts" in check["id"]]
    (reading,) = check["readings"]
    assert reading["value"] + reading["uncertainty"] >= 0.4
    assert reading["value"] < 1.5


@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        ("trips", (4, "supply bench", "has switched itself off, and does so again")),
        ("overloads", (3, "supply", "unit or harness")),
    ],
)
def test_a_supply_that_switches_itself_off(
    visit: MakeVisit, rig: StartRig, tmp_path: Path, fault: str, expected: tuple[int, str, str]
) -> None:
    """By itself it is the stand's fault; under a load at its limit that of the unit, or of a short before it."""
    code, place, words = expected
    ports = rig(fault)
    done = visit(
        str(ROOT / "sequences" / "test_10_power_on.py"),
        stand=tmp_path / "stand.yaml",
        unit=tmp_path / "unit.yaml",
        serial="F-4",
        simulate=False,
    )
    assert done.code == code, done.out[-3000:] + done.err[-2000:]
    assert place in done.places
    assert any(words in check["why"] for check in done.unit["checks"])
    assert not _output_is_on(ports["supply"])


def test_a_unit_without_an_indicator_ships(visit: MakeVisit, rig: StartRig, tmp_path: Path) -> None:
    """What the unit does not have is not asked for: no gate waits for it."""
    rig(profile="\n".join(line for line in UNIT.splitlines() if "indicator:" not in line))
    done = visit(stand=tmp_path / "stand.yaml", unit=tmp_path / "unit.yaml", serial="F-5", simulate=False)
    assert (done.code, done.disposition) == (0, "ship"), done.out[-3000:] + done.err[-2000:]
    assert not [name for name in done.verdicts() if "indicator" in name]


def test_a_supply_that_does_not_sink_is_not_the_units_failure(
    visit: MakeVisit, rig: StartRig, tmp_path: Path
) -> None:
    """Where the voltage outlasts a pause nothing was tried: not performed, with what would help."""
    rig(
        "slow-fall",
        UNIT.replace("  mode-command:", "  starts: {table: holding register, address: 43}\n  mode-command:")
        + "cycling: {start-probability: 0.5, confidence: 0.5, off: 4 s, warm-off: 300 ms, extra: 1}\n",
    )
    done = visit(
        str(ROOT / "sequences" / "test_90_power_cycling.py"),
        stand=tmp_path / "stand.yaml",
        unit=tmp_path / "unit.yaml",
        serial="F-6",
        simulate=False,
    )
    verdicts = {check["id"].partition("::")[2]: check for check in done.unit["checks"]}
    assert verdicts["test_starts_cold_every_time"]["verdict"] == "passed"
    warm = next(check for name, check in verdicts.items() if "warm" in name)
    assert warm["verdict"] == "not performed", warm
    assert "still gives 2" in warm["why"]
