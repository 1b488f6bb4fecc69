"""Several visits at once on the same instruments: each has its slot, and none notices what becomes of the others.

Real processes on the twin of a stand with two slots: one supply with two outputs, one I/O simulator.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from hilseq.description.loading import load_stand
from hilseq.description.registers import RegisterTable
from hilseq.instruments.modbus import ModbusDevice
from hilseq.lease.process import Process
from hilseq.owner.serve import StandOwner
from hilseq.twin import write_pointing_stand

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
        """Return whether the supply says that a slot's output is on; what the runs have selected stays selected."""
        return bool(self.simulator.ask_supply(f"OUTP{'AB'.index(slot) + 1}?") == "1")

    def is_off(self, slot: str) -> bool:
        """Return whether it says that it is off."""
        return bool(self.simulator.ask_supply(f"OUTP{'AB'.index(slot) + 1}?") == "0")

    def state(self) -> dict[str, Any]:
        """Return what `hilseq stand` tells."""
        reported: dict[str, Any] = json.loads(_hilseq("stand", "--stand", self.stand, "--json").stdout)
        return reported

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
    """Two runs share the instruments; whoever wants a slot in use learns who has it; who dies or hangs is made safe."""
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
        reported = refused.stdout + refused.stderr
        assert refused.returncode == 75, reported
        for part in (f"process {both['B'].process.pid}", "RH-B in slot B", str(both["B"].out), "since 20"):
            assert part in reported
    both["A"].process.kill()
    rig.wait_until(lambda: duo.is_off("A"))
    assert both["A"].guarded()["reason"] == "the run has died"
    assert duo.is_on("B")
    rig.wait_until(lambda: duo.state()["slots"] == {"A": None, "B": "RH-B"})
    pair = ("run", str(rig.HOLD), *unit, "--serial", "A=RH-4,B=RH-5", "--out", str(tmp_path / "pair"))
    refused = _hilseq(*pair)
    assert refused.returncode == 75, refused.stdout + refused.stderr
    assert f"process {both['B'].process.pid}" in refused.stderr
    assert not (tmp_path / "pair").exists()  # nothing was begun in the slot that is free
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


def test_a_slot_goes_off_before_its_run_has_unwound(
    duo: Duo, rig: ModuleType, start: Start, tmp_path: Path
) -> None:
    """A closed terminal ends a run that takes its time: the owner has its slot off at once, and no other."""
    run = start(duo.simulator, serial="A=RH-A", sequence=rig.slow_to_end(tmp_path))
    other = start(duo.simulator, serial="B=RH-B")
    for slot in "AB":
        rig.wait_until(lambda slot=slot: duo.is_on(slot))
    os.kill(run.process.pid, signal.SIGHUP)
    rig.wait_until(lambda: duo.is_off("A"))
    assert not run.has("made safe")
    (tmp_path / rig.GO_ON).touch()
    assert run.end() == 3
    assert run.has("made safe", verified=True)
    assert duo.is_on("B")
    os.kill(other.process.pid, signal.SIGINT)
    assert other.end() == 3


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


def test_an_owner_waits_for_its_first_run_while_that_lives(duo: Duo) -> None:
    """One whose starter was killed before it joined holds the stand for nobody."""
    described = load_stand(Path(duo.stand))
    gone = subprocess.Popen(["true"])
    died = Process.of(gone.pid)
    gone.wait()
    assert [
        StandOwner(described, starter)._awaits_the_first() for starter in (Process.of(os.getpid()), died)
    ] == [True, False]


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
    released = _hilseq("stand", "--stand", duo.stand, "--release", "--reason", "the test continues")
    assert released.returncode == 0


def test_all_are_reported_to_end(both: dict[str, Any], duo: Duo, rig: ModuleType) -> None:
    """`hilseq stand --end` ends every run as Ctrl-C does, one line each; nothing is kept off afterwards."""
    ended = _hilseq("stand", "--stand", duo.stand, "--end")
    assert ended.returncode == 0, ended.stdout + ended.stderr
    for slot, run in both.items():
        assert f"RH-{slot} in slot {slot}" in ended.stdout
        assert run.end() == 3
        assert duo.is_off(slot)
        assert run.has("made safe", verified=True)
    assert "KEPT OFF" not in ended.stdout
    rig.wait_until(lambda: not any(one["in_use"] for one in duo.state()["instruments"]))


OPENER = "  opener: {io: rack, table: coil, address: 250}\n  cover: {"
INTERLOCK = "  interlocks:\n    cover: {signal: cover, safe: 1, meaning: the protective cover is open}\n"


def test_an_interlock_reaches_every_slot(rig: ModuleType, start: Start, tmp_path: Path) -> None:
    """Runs that only wait look at no interlock: the owner does, and every run ends as a stand fault that names it.

    The cover of this twin is a wire of its own: it is opened and closed by hand.
    """
    text = DUO.read_text(encoding="utf-8")
    with_opener = text.replace("  cover: {", OPENER, 1).replace(INTERLOCK, "")
    with_opener = with_opener.replace(
        "loopbacks:\n", "loopbacks:\n  cover: {drive: opener, sense: cover}\n", 1
    )
    (tmp_path / "opener.yaml").write_text(with_opener, encoding="utf-8")
    simulator = rig.Simulator(tmp_path / "twin", stand=tmp_path / "opener.yaml", slots=("A", "B"))
    write_pointing_stand(DUO, simulator.endpoints, simulator.stand, stepped=False)
    rack = ModbusDevice.over_tcp("opener", simulator.endpoints["io rack"])
    try:
        rack.write_block(RegisterTable.COIL, 250, [1])
        stand = Duo(simulator)
        runs = [start(simulator, serial=f"{slot}=RH-{slot}") for slot in "AB"]
        for slot in "AB":
            rig.wait_until(lambda slot=slot: stand.is_on(slot))
        rack.write_block(RegisterTable.COIL, 250, [0])
        for slot in "AB":
            rig.wait_until(lambda slot=slot: stand.is_off(slot))
        for run in runs:
            assert run.end() == 4
            assert _verdicts(run) <= {"stand fault", "not performed"}
            reported = [entry["why"] for entry in run.entries() if entry.get("verdict") == "stand fault"]
            assert "interlock cover: the protective cover is open" in reported[0]
    finally:
        rack.close()
        simulator.close()


def test_units_are_switched_on_one_after_the_other(rig: ModuleType, start: Start, tmp_path: Path) -> None:
    """With `power-on-gap` two runs that begin together switch on that long after each other, at least."""
    slow = tmp_path / "slow.yaml"
    slow.write_text(DUO.read_text(encoding="utf-8").replace("network:", "power-on-gap: 1 s\nnetwork:", 1))
    simulator = rig.Simulator(tmp_path / "twin", stand=slow, slots=("A", "B"))
    try:
        runs = [start(simulator, serial=f"{slot}=RH-{slot}") for slot in "AB"]
        for run in runs:
            rig.wait_until(lambda run=run: run.has("event", what="supply on"))
        at = [
            datetime.fromisoformat(entry["at"])
            for run in runs
            for entry in run.entries()
            if entry.get("what") == "supply on"
        ]
        assert abs(at[0] - at[1]) >= timedelta(seconds=1.0)
    finally:
        simulator.close()


SCOPE = """#!/bin/sh
echo "$@" > "$ASKED"
{end}
while [ "$1" != "--" ]; do shift; done
shift
exec "$@"
"""


@pytest.fixture
def runtime() -> Iterator[Path]:
    """A folder for sockets, whose path is short enough for them."""
    with tempfile.TemporaryDirectory(prefix="hilseq-") as folder:
        yield Path(folder)


@pytest.mark.parametrize("end", ["", "exit 1"], ids=["a scope", "none to be had"])
def test_the_owner_lives_outside_the_scope_of_its_client(  # noqa: PLR0917 - fixtures
    end: str, duo: Duo, rig: ModuleType, start: Start, runtime: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a user's service manager it is started in a scope of its own, and without one where that fails."""
    program, asked = runtime / "bin" / "systemd-run", runtime / "asked"
    program.parent.mkdir()
    (runtime / "systemd").mkdir()
    program.write_text(SCOPE.format(end=end))
    program.chmod(0o755)
    monkeypatch.setenv("ASKED", str(asked))
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(runtime))
    monkeypatch.setenv("PATH", f"{program.parent}:{os.environ['PATH']}")
    run = start(duo.simulator, serial="A=RH-A", before=lambda: None)
    rig.wait_until(lambda: duo.is_on("A"))
    assert asked.read_text().startswith("--user --scope")
    assert "hilseq.owner.serve" in asked.read_text()
    os.kill(run.process.pid, signal.SIGINT)
    assert run.end() == 3
