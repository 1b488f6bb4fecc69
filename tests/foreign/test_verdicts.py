"""Devices that are none of ours, healthy and not, over good cables and bad ones: each case with its verdict."""

from __future__ import annotations

import os
import random
import subprocess
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from tests.end_to_end.conftest import ROOT, MakeVisit, Visit
from tests.foreign.cable import answers_exception, reads, writes_coil
from tests.foreign.conftest import STAND, Rig, StartRig, listening
from tests.foreign.rack import WIRES, world

pytestmark = pytest.mark.foreign

SHIP, REPAIR, INCOMPLETE, STAND_FAULT = (0, "ship"), (1, "repair"), (3, "incomplete"), (4, "stand fault")
#: Whole visits to healthy units in one run of the tests; 30 for the whole draw (DEVELOPERS.md).
HEALTHY_VISITS = int(os.environ.get("HILSEQ_FOREIGN_VISITS", "1"))
#: Slowest answers of unit, supply and I/O in these, ms: the whole range in the whole draw, a short visit otherwise.
SLOWEST = 300 if HEALTHY_VISITS > 1 else 60
POWER_ON, OUTPUTS, INPUTS = "test_10_power_on.py", "test_60_outputs.py", "test_70_inputs.py"


def nothing(_: Rig) -> None:
    """Leave every cable as it is."""


def at_first_output(act: Callable[[Rig], None]) -> Callable[[Rig], None]:
    """Do something to a cable when the first output is commanded on."""
    return lambda rig: rig.link.when(writes_coil(500), lambda: act(rig))


@dataclass(frozen=True)
class Case:
    """What is wrong with which device or cable, what is run, and what must be reported."""

    expected: tuple[int, str]
    place: str = ""
    words: str = ""
    rig: dict[str, Any] = field(default_factory=dict)
    act: Callable[[Rig], None] = nothing
    sequences: tuple[str, ...] = (POWER_ON, OUTPUTS)
    #: The other end of the path that is at fault.
    beside: str = "stand"


def _flipped(data: bytes) -> bytes:
    return bytes(byte ^ 0x5A for byte in data)


CASES = {
    # Slow devices, a slow network: nothing is wrong with the unit.
    "slow answers of the unit": Case(SHIP, rig={"unit": ("--answer", "60")}),
    "slow answers of the supply": Case(SHIP, rig={"supply": ("80",)}),
    "a unit that takes long to start": Case(SHIP, rig={"unit": ("--boot", "2.2")}),
    "a slow network to the I/O": Case(SHIP, act=lambda rig: setattr(rig.io, "delay", 0.02)),
    "one request to the unit and one to the I/O lost": Case(SHIP,
        act=at_first_output(lambda rig: rig.io.when(reads(2, 300), lambda: None))),
    "an I/O that scans slowly": Case(SHIP, rig={"scan": 60.0}, sequences=(POWER_ON, INPUTS)),
    # Cables.
    "link out for 2 s": Case(SHIP, act=at_first_output(lambda rig: rig.link.cut(2.0))),
    "link out while the configuration is read": Case(SHIP,
        act=lambda rig: rig.link.when(reads(3, 200), lambda: rig.link.cut(2.5)),
        sequences=(POWER_ON, "test_40_configuration.py")),
    "link out for good": Case(INCOMPLETE, "link", "the lamp is healthy",
        act=at_first_output(lambda rig: rig.link.cut())),
    "link refused": Case(INCOMPLETE, "link", "its address refuses connections",
        act=at_first_output(lambda rig: rig.link.refuse())),
    "link refused from the start": Case(INCOMPLETE, "link", "refuses connections",
        act=lambda rig: rig.link.refuse()),
    "link sends invalid data": Case(INCOMPLETE, "link", "an invalid answer",
        act=at_first_output(lambda rig: rig.link.garble(_flipped))),
    "link answers exceptions": Case(INCOMPLETE, "link", "error 4",
        act=at_first_output(lambda rig: rig.link.garble(answers_exception(4)))),
    "link refuses everything": Case(INCOMPLETE, "link", "illegal",
        act=at_first_output(lambda rig: rig.link.garble(answers_exception(2)))),
    "a unit that is on without its supply": Case(STAND_FAULT, "lamp-run", "shows 1, though",
        rig={"unit": ("--fault", "always-on")}, sequences=("test_05_set_up.py", POWER_ON)),
    "supply out": Case(STAND_FAULT, "supply bench", "", act=at_first_output(lambda rig: rig.supply.cut())),
    "supply refused": Case(STAND_FAULT, "supply bench", "cannot be reached",
        act=lambda rig: rig.supply.refuse()),
    "supply sends invalid data": Case(STAND_FAULT, "supply bench", "",
        act=at_first_output(lambda rig: rig.supply.garble(_flipped))),
    "I/O out": Case(STAND_FAULT, "io box", "did not answer", act=at_first_output(lambda rig: rig.io.cut())),
    "I/O refused": Case(STAND_FAULT, "io box", "cannot be reached", act=lambda rig: rig.io.refuse()),
    "I/O sends invalid data": Case(STAND_FAULT, "io box", "an invalid answer",
        act=at_first_output(lambda rig: rig.io.garble(_flipped))),
    "I/O shows an old picture": Case(STAND_FAULT, "loop-in", "", rig={"io": ("stale",)}, sequences=(),
        beside="loop-out"),
    # Units.
    "a unit that does not start": Case(REPAIR, "start", "dark", rig={"unit": ("--fault", "no-start")}),
    "a unit that crashes": Case(REPAIR, "", "", rig={"unit": ("--fault", "crashes")}),
    "a unit whose server hangs": Case(INCOMPLETE, "link", "takes connections",
        rig={"unit": ("--fault", "hangs")}),
    "an output that stays off": Case(REPAIR, "q3", "", rig={"unit": ("--fault", "stuck-off")}),
    "a unit that forgets": Case(REPAIR, "configuration", "", rig={"unit": ("--fault", "forgets")},
        sequences=(POWER_ON, "test_40_configuration.py", "test_45_clock_and_memory.py")),
}  # fmt: skip


def visited(visit: MakeVisit, rig: Rig, sequences: tuple[str, ...] = (), **options: float) -> Visit:
    """Make a visit in real time, the whole one unless some sequences are named."""
    files = [str(ROOT / "sequences" / name) for name in sequences]
    return visit(*files, stand=rig.stand, unit=rig.unit, serial="F-1", simulate=False, **options)


def test_another_unit_at_the_address(visit: MakeVisit, rig: StartRig, built: Path) -> None:
    """One that has a supply of its own takes over the address in the middle of a visit: no output follows, by that."""
    bench, others = rig(), list[subprocess.Popen[bytes]]()
    wires = bench.folder / "others"

    def take_over(bench: Rig) -> None:
        wires.write_bytes(bytes(8 * len(WIRES)))
        others.append(subprocess.Popen([str(built / "unit"), str(wires), "--fault", "always-on"]))
        bench.link.plug_into(listening(world(wires), "UNIT_PORT"))

    at_first_output(take_over)(bench)
    try:
        done = visited(visit, bench, (POWER_ON, OUTPUTS))
    finally:
        for process in others:
            process.kill()
            process.wait(10)
    assert (done.code, done.disposition) == STAND_FAULT, done.out
    assert done.places == {"link of slot P"}, done.out


@pytest.mark.parametrize("case", CASES.values(), ids=CASES.keys())
def test_verdict(visit: MakeVisit, rig: StartRig, case: Case) -> None:
    """Who is at fault is reported, and nobody else is blamed."""
    bench = rig(**case.rig)
    case.act(bench)
    done = visited(visit, bench, case.sequences)
    reported = done.out[-4000:] + done.err[-2000:]
    performed = [check for check in done.unit["checks"] if check["verdict"] != "not performed"]
    verdicts = {check["verdict"] for check in performed} or {"none"}
    if case.expected == SHIP:  # of part of the sequences: nothing was found
        assert verdicts == {"passed"}, reported
        assert all(check["verdict"] == "passed" for check in done.unit["checks"] if "::" in check["id"]), (
            reported
        )
    else:
        assert (done.code, done.disposition) == case.expected, reported
    if case.expected != REPAIR:
        assert "failed" not in verdicts, reported
    assert case.place in done.places or not case.place, (done.places, reported)
    if case.place:  # the stand that could not be made safe is distinguished
        assert done.places <= {case.place, case.beside, "stand"}, (done.places, reported)
    whys = [check["why"] for check in done.unit["checks"]]
    assert any(case.words in why for why in whys), (whys, reported)
    if not (case.place.startswith("supply") or bench.supply.port == 0):
        assert bench.wire("VOLTS") == 0.0


@pytest.mark.timeout(840)  # a whole visit in real time; with answers of 0.3 s it takes six minutes
@pytest.mark.parametrize("seed", range(HEALTHY_VISITS))
def test_a_healthy_unit_ships_at_any_timing(visit: MakeVisit, rig: StartRig, seed: int) -> None:
    """The whole visit; scan time, lag of the lamps' sensor, answers and network are drawn; the lag is declared."""
    drawn = random.Random(seed)
    scan, lag = drawn.uniform(5.0, 50.0), drawn.uniform(0.0, 80.0)
    lamps = STAND.replace("P.lamp-run}}", f"P.lamp-run, lag: {lag:.0f} ms}}}}")
    lamps = lamps.replace("P.lamp-fault}}", f"P.lamp-fault, lag: {lag:.0f} ms}}}}")
    bench = rig(
        scan=scan,
        lamp_lag=lag,
        seed=seed,
        stand=lamps,
        supply=(f"{drawn.randint(1, SLOWEST)}",),
        unit=("--answer", f"{drawn.randint(1, SLOWEST)}"),
    )
    bench.io.delay = drawn.uniform(0.0, 0.0005 * SLOWEST)
    for cable in (bench.supply, bench.io, bench.link):
        cable.accept = drawn.uniform(0.0, 0.2)
    done = visited(visit, bench, within=800.0)
    assert (done.code, done.disposition) == SHIP, done.out[-4000:] + done.err[-2000:]
