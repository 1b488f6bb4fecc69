"""`hilseq ready --power` on foreign devices: a profile that does not fit is named with its line; nothing is left."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from tests.foreign.conftest import STAND, UNIT, Rig, StartRig

pytestmark = pytest.mark.foreign

#: How long a supply is away, s: longer than it takes to give up on it.
SILENT_FOR = 6.0
#: What of the profile is made wrong, the key that must be reported with its line, and what must be said of it.
MISFITS = {
    "function 43 is not offered": ("device-identification: false", "device-identification: true",
        "identity.device-identification", "does not offer function 43"),
    "a register that it does not have": ("starts: {table: holding register, address: 43}",
        "starts: {table: holding register, address: 4300}", "link.starts",
        "holding register 4300 with exception 02"),
    "a table that it does not have": ("report: {table: discrete input, address: 0}",
        "report: {table: coil, address: 0}", "points.inputs.i1.report", "coil 0 with exception 02"),
    "more words than there are": ("content: [1, 2, 3, 65535, 0, 9]", "content: [1, 2, 3, 65535, 0, 9, 10]",
        "configuration.first", "with exception 02"),
}  # fmt: skip


def ready(rig: Rig, tmp_path: Path, *options: str) -> tuple[int, str]:
    """Run `hilseq ready` in a folder of its own; return its code and what it printed. Nothing of it is left."""
    folder = tmp_path / "here"
    folder.mkdir()
    line = [
        sys.executable,
        "-m",
        "hilseq",
        "ready",
        "--stand",
        str(rig.stand),
        "--unit",
        str(rig.unit),
        *options,
    ]
    mark = f"HILSEQ_TEST={tmp_path}"
    done = subprocess.run(
        line,
        cwd=folder,
        env=dict(os.environ, HILSEQ_TEST=str(tmp_path)),
        capture_output=True,
        text=True,
        check=False,
    )
    assert not list(folder.iterdir())
    assert not [pid for pid, environment in _environments() if mark in environment], (
        "a process of it is still there"
    )
    return done.returncode, done.stdout + done.stderr


def _environments() -> Iterator[tuple[str, list[str]]]:
    """Yield each process of this computer that may be looked at, with its environment."""
    for path in Path("/proc").glob("[0-9]*/environ"):
        with suppress(OSError):
            yield path.parent.name, path.read_text(encoding="utf-8", errors="replace").split("\0")


def test_a_rig_is_ready(rig: StartRig, tmp_path: Path) -> None:
    """A good stand with a good unit under power."""
    code, reported = ready(rig(), tmp_path, "--power")
    assert code == 0, reported
    assert "the unit has what it has hilseq read" in reported


@pytest.mark.parametrize("misfit", MISFITS.values(), ids=MISFITS.keys())
def test_a_profile_that_does_not_fit(
    rig: StartRig, tmp_path: Path, misfit: tuple[str, str, str, str]
) -> None:
    """Line and key are reported, and what the unit answers."""
    right, wrong, key, words = misfit
    profile = UNIT.replace(right, wrong)
    assert profile != UNIT
    bench = rig(profile=profile)
    code, out = ready(bench, tmp_path, "--power")
    assert code == 4, out
    reported = next(line for line in out.splitlines() if key in line)
    assert words in reported
    named = re.search(r"unit\.yaml:(\d+): ", reported)
    assert named is not None, reported
    line = bench.unit.read_text(encoding="utf-8").splitlines()[int(named[1]) - 1]
    assert key.rsplit(".", 1)[-1] in line or key.rsplit(".", 2)[-2][:1] in line


@pytest.mark.parametrize("what", ["supply", "io"])
def test_one_that_fails_leaves_nothing_behind(rig: StartRig, tmp_path: Path, what: str) -> None:
    """No process keeps talking to instruments, and no folder is left (`ready` looks)."""
    bench = rig()
    getattr(bench, what).cut()
    code, reported = ready(bench, tmp_path, "--power")
    assert code == 4, reported
    assert "NOT READY" in reported


def test_a_supply_that_cannot_be_made_ready(rig: StartRig, tmp_path: Path) -> None:
    """It answers, and refuses a command of the stand file: that is reported, and not that the stand is ready."""
    wrong = STAND.replace(
        "    deadline: 1 s\n", "    deadline: 1 s\n    commands: {{set-current: 'LIMIT {{value}}'}}\n"
    )
    assert wrong != STAND
    code, reported = ready(rig(stand=wrong), tmp_path)
    assert code == 4, reported
    assert "WRONG         instruments     supply bench: supply bench (" in reported
    assert "answered 'LIMIT 0.5' with error -113" in reported


def test_a_supply_that_goes_silent_under_power(rig: StartRig, tmp_path: Path) -> None:
    """That it may still be on is reported; it is switched off as soon as it can be, before the command ends."""
    bench = rig()
    bench.supply.when(
        lambda data: b"MEAS" in data and bench.wire("VOLTS") > 0, lambda: bench.supply.cut(SILENT_FOR)
    )
    code, reported = ready(bench, tmp_path, "--power")
    assert code == 4, reported
    assert bench.wire("VOLTS") == 0.0
