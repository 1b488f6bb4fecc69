"""One stand, one user at a time: whoever comes second learns who is there, and `hilseq safe` means safe.

Real processes on a simulator that was started by itself, as in test_guard.py.
"""

from __future__ import annotations

import json
import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from tests import warm

Start = Callable[..., Any]

pytestmark = [
    pytest.mark.timeout(120),
    pytest.mark.skipif(sys.platform == "win32", reason="signals and kernel locks of POSIX"),
]


def _hilseq(*words: str) -> warm.Done:
    return warm.hilseq(*words, cwd=Path.cwd())


def _release(stand: Path) -> None:
    done = _hilseq("stand", "--stand", str(stand), "--release", "--reason", "the test continues")
    assert done.returncode == 0, done.stderr


def _other_file(stand: Path, folder: Path) -> Path:
    """Return another file that names the same instruments."""
    other = folder / "another.yaml"
    other.write_text(stand.read_text().replace("stand: ", "stand: another-", 1))
    return other


def test_a_second_command_is_refused(wall: Any, rig: ModuleType, start: Start, tmp_path: Path) -> None:
    """`run`, `ready` and `station` on a stand in use touch nothing, and tell by whom, which run, since when."""
    run = start(wall)
    rig.wait_until(wall.is_on)
    stand = str(_other_file(wall.stand, tmp_path))
    unit = ("--stand", stand, "--unit", str(rig.UNIT))
    for words in (
        ("run", str(rig.HOLD), *unit, "--serial", "RH-2", "--out", str(tmp_path / "second")),
        ("ready", *unit),
        ("ready", *unit, "--power"),
        ("station", *unit),
    ):
        refused = _hilseq(*words)
        reported = refused.stdout + refused.stderr
        assert refused.returncode == 75, reported
        for part in (f"process {run.process.pid}", "RH-000101 in slot A", str(run.out), "since 20"):
            assert part in reported
    assert wall.is_on()
    assert not (tmp_path / "second" / "journal.jsonl").exists()
    seen = json.loads(_hilseq("stand", "--stand", stand, "--json").stdout)
    assert seen["slots"] == {"A": "RH-000101"}
    assert all(one["holder"]["folder"] == str(run.out) for one in seen["instruments"])
    os.kill(run.process.pid, signal.SIGINT)
    assert run.end() == 3


def test_safe_reaches_a_running_stand(wall: Any, rig: ModuleType, start: Start, tmp_path: Path) -> None:
    """The run ends as stopped by a person, the supply is off and stays off, until somebody releases the stand."""
    run = start(wall)
    rig.wait_until(wall.is_on)
    safe = _hilseq("safe", "--stand", str(_other_file(wall.stand, tmp_path)))
    assert safe.returncode == 0, safe.stdout + safe.stderr
    assert wall.is_off()
    lines = safe.stdout.splitlines()
    assert any(line.startswith("supply main: off, verified") for line in lines)
    assert any(f"(process {run.process.pid})" in line and "has ended" in line for line in lines)
    assert any("still off" in line for line in lines)
    assert run.end() == 3
    assert run.has("event", what="stopped by a person")
    assert run.has("run ended", interrupted=True)
    refused = start(wall)
    assert refused.end() == 75
    assert "hilseq stand" in refused.log.read_text()
    assert wall.is_off()
    assert "KEPT OFF" in _hilseq("stand", "--stand", str(wall.stand)).stdout
    unexplained = _hilseq("stand", "--stand", str(wall.stand), "--release")
    assert unexplained.returncode == 2
    _release(wall.stand)
    again = start(wall)
    rig.wait_until(wall.is_on)
    os.kill(again.process.pid, signal.SIGINT)
    assert again.end() == 3
    (released,) = [entry["text"] for entry in again.entries() if entry.get("what") == "stand released"]
    assert "the test continues" in released


def test_a_detached_run_needs_no_terminal(wall: Any, rig: ModuleType, tmp_path: Path) -> None:
    """It continues when the command has ended, in a session of its own; `watch` sees it and `safe` ends it."""
    out = tmp_path / "weekend"
    stand = ("--stand", str(wall.stand))
    unit = ("--unit", str(rig.UNIT), "--serial", "RH-9", "--out", str(out))
    begun = _hilseq("run", str(rig.HOLD), *stand, *unit, "--detach")
    assert begun.returncode == 0, begun.stderr
    assert f"hilseq watch {out}" in begun.stdout
    rig.wait_until(wall.is_on)
    pid = int(begun.stdout.split()[1].rstrip(","))
    assert os.getsid(pid) == pid
    os.kill(pid, signal.SIGHUP)
    assert "RH-9" in _hilseq("watch", str(out), "--once").stdout
    assert wall.is_on()
    assert _hilseq("safe", *stand).returncode == 0
    assert wall.is_off()
    _release(wall.stand)
    entries = [json.loads(line) for line in (out / "journal.jsonl").read_text().splitlines()]
    assert entries[-1]["kind"] == "run ended"
    assert entries[-1]["exit_code"] == 3
    refused = _hilseq("run", *stand, *unit, "--detach")
    assert refused.returncode == 2
    assert "never written over" in refused.stderr


LONG_CALL = '''
import ctypes
import signal


def test_long_call(supply):
    """Power is on while the main thread is somewhere for longer than `safe` waits for an answer."""
    supply.on()
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM})
    ctypes.CDLL(None).usleep(3_000_000)
'''


def test_a_run_in_a_long_call_answers(wall: Any, rig: ModuleType, start: Start, tmp_path: Path) -> None:
    """A slow disk keeps its main thread: it has heard, is given the time to end, and its supply is off before."""
    sequence = tmp_path / "test_long_call.py"
    sequence.write_text(LONG_CALL)
    run = start(wall, sequence=sequence)
    rig.wait_until(wall.is_on)
    safe = _hilseq("safe", "--stand", str(wall.stand))
    assert safe.returncode == 0, safe.stdout + safe.stderr
    assert "asked, has ended" in safe.stdout
    assert run.end() == 3
    assert run.has("event", what="stopped by a person")
    assert run.has("run ended", interrupted=True)
    assert run.entries("guard.jsonl") == []


@pytest.mark.parametrize("hangs", ["run", "run and guard"])
def test_safe_ends_what_hangs(hangs: str, wall: Any, rig: ModuleType, start: Start) -> None:
    """A run that does not answer is killed, and so is a guard that hangs with it: everything is off all the same."""
    run = start(wall)
    rig.wait_until(wall.is_on)
    if hangs != "run":
        os.kill(run.guard_pid(), signal.SIGSTOP)
    os.kill(run.process.pid, signal.SIGSTOP)
    safe = _hilseq("safe", "--stand", str(wall.stand))
    assert safe.returncode == 0, safe.stdout + safe.stderr
    assert wall.is_off()
    assert run.end() == -signal.SIGKILL
    _release(wall.stand)


def test_a_stand_found_running_is_reported(wall: Any, rig: ModuleType, start: Start) -> None:
    """After a computer that died: `ready` says what is on and leaves it on; a run says so before it switches off."""
    for command in ("VOLT 23.5", "CURR 1", "OUTP ON"):
        wall.ask_supply(f"{command};*OPC?")
    assert wall.is_on()
    ready = _hilseq("ready", "--stand", str(wall.stand), "--unit", str(rig.UNIT))
    assert ready.returncode == 4, ready.stdout
    assert "supply main: was ON at 23.5 V" in ready.stdout
    assert "when found" in ready.stdout
    assert wall.is_on()
    run = start(wall)
    rig.wait_until(lambda: run.has("event", what="not at rest when found") or run.process.poll() is not None)
    (found,) = [e["text"] for e in run.entries() if e.get("what") == "not at rest when found"]
    assert found.startswith("supply main was ON at 23.5 V")
    rig.wait_until(wall.is_on)
    os.kill(run.process.pid, signal.SIGINT)
    run.end()
    assert "supply main was ON at 23.5 V" in run.log.read_text()
