"""Several visits at once on the same instruments: each has its slot, and none notices what becomes of the others.

Real processes on the twin of a stand with two slots: one supply with two outputs, one I/O simulator.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

Start = Callable[..., Any]

OUTPUTS = Path(__file__).parents[2] / "sequences" / "test_60_outputs.py"
DUO = Path(__file__).parents[2] / "stands" / "duo-bench.yaml"

pytestmark = [
    pytest.mark.timeout(180),
    pytest.mark.skipif(not hasattr(os, "pidfd_open"), reason="the owner of a stand needs Linux"),
]


def _hilseq(*words: str) -> subprocess.CompletedProcess[str]:
    line = [sys.executable, "-m", "hilseq", *words]
    return subprocess.run(
        line, capture_output=True, text=True, check=False, timeout=120, stdin=subprocess.DEVNULL
    )


class Duo:
    """A stand with two slots, and who works on it."""

    def __init__(self, simulator: Any) -> None:
        self.simulator = simulator
        self.stand = str(simulator.stand)

    def is_on(self, slot: str) -> bool:
        """Tell whether the supply says that the output of a slot is on."""
        return bool(self.simulator.ask_supply(f"INST:NSEL {'AB'.index(slot) + 1};:OUTP?") == "1")

    def is_off(self, slot: str) -> bool:
        """Tell whether it says that it is off."""
        return bool(self.simulator.ask_supply(f"INST:NSEL {'AB'.index(slot) + 1};:OUTP?") == "0")

    def state(self) -> dict[str, Any]:
        """Return what `hilseq stand` tells."""
        told: dict[str, Any] = json.loads(_hilseq("stand", "--stand", self.stand, "--json").stdout)
        return told

    def owner(self) -> int:
        """Return the process that holds the instruments."""
        return int(self.state()["instruments"][0]["holder"]["process"]["pid"])


@pytest.fixture(scope="module")
def duo(rig: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Duo]:
    """The stand, in real time."""
    simulator = rig.Simulator(tmp_path_factory.mktemp("duo"), stand=DUO, slots=("A", "B"))
    yield Duo(simulator)
    simulator.close()


@pytest.fixture
def both(duo: Duo, rig: ModuleType, start: Start) -> dict[str, Any]:
    """A run in each slot, both with power on."""
    runs = {slot: start(duo.simulator, serial=f"{slot}=RH-{slot}") for slot in "AB"}
    for slot in "AB":
        rig.wait_until(lambda slot=slot: duo.is_on(slot))
    return runs


def _verdicts(run: Any) -> set[str]:
    return {entry["verdict"] for entry in run.entries() if entry["kind"] == "check ended"}


def test_neighbours_do_not_notice(
    both: dict[str, Any], duo: Duo, rig: ModuleType, start: Start, tmp_path: Path
) -> None:
    """Two runs share the instruments; whoever wants a slot in use is told by whom; who dies or hangs is made safe."""
    state = duo.state()
    assert state["slots"] == {"A": "RH-A", "B": "RH-B"}
    assert {slot: run["folder"] for slot, run in state["runs"].items()} == {
        slot: str(run.out) for slot, run in both.items()
    }
    assert all(one["load"]["exchanges"] > 10 for one in state["instruments"] if one["part"] == "supply left")
    unit = ("--stand", duo.stand, "--unit", str(rig.UNIT))
    for words in (
        ("run", str(rig.HOLD), *unit, "--serial", "B=RH-2", "--out", str(tmp_path / "second")),
        ("ready", "--stand", duo.stand),
    ):
        refused = _hilseq(*words)
        told = refused.stdout + refused.stderr
        assert refused.returncode == 75, told
        for part in (f"process {both['B'].process.pid}", "RH-B in slot B", str(both["B"].out), "since 20"):
            assert part in told
    both["A"].process.kill()
    rig.wait_until(lambda: duo.is_off("A"))
    assert both["A"].guarded()["reason"] == "the run has died"
    assert duo.is_on("B")
    rig.wait_until(lambda: duo.state()["slots"] == {"A": None, "B": "RH-B"})
    next_one = start(duo.simulator, serial="A=RH-3")
    rig.wait_until(lambda: duo.is_on("A"))
    os.kill(next_one.process.pid, signal.SIGSTOP)
    rig.wait_until(lambda: duo.is_off("A"))
    assert next_one.end() == -signal.SIGKILL
    assert "no heartbeat" in next_one.guarded()["reason"]
    assert duo.is_on("B")
    os.kill(both["B"].process.pid, signal.SIGINT)
    assert both["B"].end() == 3
    assert both["B"].has("made safe", verified=True)
    assert both["B"].entries("guard.jsonl") == []
    assert duo.is_off("B")
    assert _verdicts(both["B"]) <= {"passed", "not performed"}
    rig.wait_until(lambda: duo.state()["slots"] == {"A": None, "B": None})


def _beside(neighbour: bool, rig: ModuleType, start: Start, folder: Path) -> list[tuple[Any, ...]]:
    """Run the checks of the outputs in slot A of a twin of its own; return what was read and found, and when.

    A neighbour in slot B is killed in the middle.
    """
    simulator = rig.Simulator(folder, stand=DUO, slots=("A", "B"), clock="stepped")
    try:
        run = start(simulator, serial="A=RH-000101", sequence=OUTPUTS)
        if neighbour:
            other = start(simulator, serial="B=RH-000101")
            rig.wait_until(lambda: run.has("check ended") and other.has("check started"))
            other.process.kill()
        assert run.end() == 3  # only some checks were selected
    finally:
        simulator.close()
    return [
        (entry["kind"], entry["t"], entry.get("value"), entry.get("verdict"))
        for entry in run.entries()
        if entry["kind"] in ("reading", "check ended")
    ]


def test_a_unit_is_judged_as_if_it_were_alone(rig: ModuleType, start: Start, tmp_path: Path) -> None:
    """With a neighbour that is killed in the middle: every reading, verdict and instant is the one without."""
    alone = _beside(False, rig, start, tmp_path / "alone")
    assert len(alone) > 20
    assert _beside(True, rig, start, tmp_path / "two") == alone


@pytest.mark.parametrize("signal_number", [signal.SIGKILL, signal.SIGSTOP])
def test_an_owner_that_dies_or_hangs_is_a_fault_of_the_stand(
    signal_number: signal.Signals, both: dict[str, Any], duo: Duo, rig: ModuleType
) -> None:
    """Its guard has every supply off; each run ends as a stand fault, and no unit is blamed."""
    os.kill(duo.owner(), signal_number)
    for slot in "AB":
        rig.wait_until(lambda slot=slot: duo.is_off(slot))
    for run in both.values():
        assert run.end() == 4
        assert "stand fault" in _verdicts(run)
        assert "failed" not in _verdicts(run)
        assert "owns the stand" in run.log.read_text()


def test_an_owner_without_its_guard_ends_every_run(both: dict[str, Any], duo: Duo) -> None:
    """Nobody would switch off if the owner died too: the runs end themselves, as for Ctrl-C, and say why."""
    guard = duo.state()["instruments"][0]["holder"]["guard"]["pid"]
    os.kill(guard, signal.SIGSTOP)
    for slot, run in both.items():
        assert run.end() == 3
        assert duo.is_off(slot)
        assert run.has("event", what="owner of the stand", text="the guard process has died, or hangs")


def test_safe_reaches_every_run(both: dict[str, Any], duo: Duo) -> None:
    """`hilseq safe` ends all of them as stopped by a person, and keeps every slot off."""
    safe = _hilseq("safe", "--stand", duo.stand)
    assert safe.returncode == 0, safe.stdout + safe.stderr
    assert duo.is_off("A")
    assert duo.is_off("B")
    for run in both.values():
        assert run.end() == 3
        assert run.has("event", what="stopped by a person")
        assert run.has("run ended", interrupted=True)
    released = _hilseq("stand", "--stand", duo.stand, "--release", "--reason", "the test goes on")
    assert released.returncode == 0
