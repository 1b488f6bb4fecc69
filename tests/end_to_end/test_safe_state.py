"""Every way out of a run ends with the supply off: read from the supply itself, by somebody else.

The twin is a process of its own that outlives the run, so that a second SCPI connection can ask it.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.end_to_end.conftest import STANDS

RH16 = STANDS / "units" / "rh16.yaml"
#: Powers the unit, drives outputs and an input, says so in a file, and waits to be ended.
HOLDS = """
import time
from pathlib import Path

def test_holds(live_unit, signals, clock):
    live_unit.outputs.command(*live_unit.outputs.names)
    signals.write("i01", 1)
    Path({flag!r}).write_text("powered")
    {then}
"""
WAITS = "for _ in range(600): clock.tick(); time.sleep(0.1)"


class Stand:
    """A twin that is served by `hilseq simulate`, and a second pair of eyes on it."""

    def __init__(self, process: subprocess.Popen[str], file: Path, endpoints: dict[str, str]) -> None:
        self.process = process
        self.file = file
        self._endpoints = endpoints

    def ask(self, *commands: str) -> list[str]:
        """Send SCPI over a connection of our own; return the answers to the queries."""
        port = int(self._endpoints["supply main"].split("::")[2])
        answers = []
        with socket.create_connection(("127.0.0.1", port), timeout=5) as own:
            lines = own.makefile("rw", newline="\n")
            for command in commands:
                lines.write(command + "\n")
                lines.flush()
                if "?" in command:
                    answers.append(lines.readline().strip())
        return answers

    @property
    def is_on(self) -> bool:
        """What the supply says of its output."""
        return self.ask("OUTP?") == ["1"]

    def coil(self, address: int) -> int:
        """What the I/O simulator says of one coil (Modbus function 01), over a connection of our own."""
        host, _, port = self._endpoints["io rack"].rpartition(":")
        with socket.create_connection((host, int(port)), timeout=5) as own:
            own.sendall(bytes([0, 1, 0, 0, 0, 6, 1, 1, 0, address, 0, 1]))
            return own.recv(64)[-1] & 1


@pytest.fixture
def stand(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Stand]:
    """A stand with a unit, served by a process of its own; on the wall clock unless reported `stepped`."""
    file = tmp_path / "served.yaml"
    line = [sys.executable, "-m", "hilseq", "simulate", "--stand", str(STANDS / "sim-bench.yaml")]
    line += ["--unit", str(RH16), "--stand-out", str(file)]
    line += ["--stepped"] if getattr(request, "param", "wall") == "stepped" else []
    process = subprocess.Popen(line, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout is not None
    endpoints: dict[str, str] = {}
    until = time.monotonic() + 60
    while "stand file" not in endpoints:
        assert select.select([process.stdout], [], [], until - time.monotonic())[0], "the twin did not start"
        name, _, address = process.stdout.readline().strip().partition(": ")
        endpoints[name] = address
    try:
        yield Stand(process, file, endpoints)
    finally:
        process.terminate()  # not Ctrl-C, which does not reach what a script has started in the background
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(10)
        process.kill()
        process.wait(10)
        process.stdout.close()
        if process.stderr is not None:
            process.stderr.close()


Run = Callable[..., subprocess.Popen[str]]


@pytest.fixture
def run(stand: Stand, tmp_path: Path) -> Iterator[Run]:
    """Begin a run of one sequence on the stand; it is killed afterwards if need be."""
    begun: list[subprocess.Popen[str]] = []

    def begin(sequence: str, *, conftest: str = "", options: tuple[str, ...] = ()) -> subprocess.Popen[str]:
        folder = tmp_path / "sequences"
        folder.mkdir()
        (folder / "test_hold.py").write_text(sequence, encoding="utf-8")
        if conftest:
            (folder / "conftest.py").write_text(conftest, encoding="utf-8")
        line = [sys.executable, "-m", "hilseq", "run", str(folder), "--stand", str(stand.file)]
        line += ["--unit", str(RH16), "--serial", "RH-1", "--out", str(tmp_path / "run"), *options]
        begun.append(
            subprocess.Popen(line, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, cwd=tmp_path)
        )
        return begun[-1]

    yield begin
    for process in begun:
        process.kill()
        process.communicate()


def wait_for(flag: Path, process: subprocess.Popen[str]) -> None:
    """Wait until the sequence says that the unit is powered."""
    until = time.monotonic() + 60
    while not flag.exists():
        assert process.poll() is None, process.communicate()[0]
        assert time.monotonic() < until, "the unit was never powered"
        time.sleep(0.02)


def journal(tmp_path: Path) -> list[dict[str, Any]]:
    """Return the entries of the run."""
    lines = (tmp_path / "run" / "journal.jsonl").read_text(encoding="ascii").splitlines()
    return [json.loads(line) for line in lines]


def assert_safe(stand: Stand, tmp_path: Path) -> None:
    """Supply off, drive released, and both noted as verified."""
    assert not stand.is_on
    assert stand.coil(0) == 0
    safe = [entry for entry in journal(tmp_path) if entry["kind"] == "made safe"]
    assert safe
    assert safe[-1]["verified"], safe[-1]


@pytest.mark.parametrize("stand", ["wall", "stepped"], indirect=True)
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP], ids=lambda n: n.name)
def test_a_signal_ends_with_the_supply_off(
    stand: Stand, run: Run, tmp_path: Path, number: signal.Signals
) -> None:
    """Ctrl-C, a termination, a closed terminal: all make safe; the run is incomplete, nobody is blamed."""
    flag = tmp_path / "powered"
    process = run(HOLDS.format(flag=str(flag), then=WAITS))
    wait_for(flag, process)
    assert stand.is_on
    assert stand.coil(0) == 1
    process.send_signal(number)
    out, _ = process.communicate(timeout=120)
    assert process.returncode == 3, out
    assert_safe(stand, tmp_path)
    assert journal(tmp_path)[-1]["interrupted"]
    assert "Traceback" not in out


def test_impatience_does_not_keep_the_supply_on(stand: Stand, run: Run, tmp_path: Path) -> None:
    """Ctrl-C again and again, while the stand is being made safe, does not stop it from being made safe."""
    flag = tmp_path / "powered"
    process = run(HOLDS.format(flag=str(flag), then=WAITS))
    wait_for(flag, process)
    until = time.monotonic() + 20
    while process.poll() is None and time.monotonic() < until:
        with contextlib.suppress(ProcessLookupError):
            os.kill(process.pid, signal.SIGINT)
        time.sleep(0.0005)
    out, _ = process.communicate(timeout=120)
    assert_safe(stand, tmp_path)
    assert journal(tmp_path)[-1]["kind"] == "run ended", out
    assert not (tmp_path / "run" / "guard.jsonl").exists(), "the run left it to the guard"


BREAKS = {
    "a failed assertion": (HOLDS, "assert False, 'no'", "", 1),
    "an exception in a check": (HOLDS, "raise KeyError('oops')", "", 3),
    "an exception in a fixture": (
        "import pytest\n\n@pytest.fixture\ndef broken(live_unit):\n    yield\n    raise KeyError('oops')\n"
        + HOLDS.replace("live_unit, signals", "live_unit, broken, signals"),
        "pass",
        "",
        3,
    ),
    "an error in a hook during the run": (
        HOLDS,
        "pass",
        "def pytest_runtest_logreport(report):\n    assert report.when != 'call', 'a broken hook'\n",
        4,
    ),
    "an exit of the sequence": (HOLDS, "import sys; sys.exit(5)", "", 3),
}


@pytest.mark.parametrize("broken", BREAKS.values(), ids=BREAKS.keys())
def test_whatever_breaks_ends_with_the_supply_off(
    stand: Stand, run: Run, tmp_path: Path, broken: tuple[str, str, str, int]
) -> None:
    """A failure, an error in the sequence, a broken hook: the supply is off afterwards, the exit code is its own."""
    sequence, then, conftest, code = broken
    flag = tmp_path / "powered"
    process = run(sequence.format(flag=str(flag), then=then), conftest=conftest)
    out, _ = process.communicate(timeout=200)
    assert flag.exists(), out
    assert process.returncode == code, out
    assert_safe(stand, tmp_path)


def test_an_error_in_a_hook_at_the_end_comes_too_late(stand: Stand, run: Run, tmp_path: Path) -> None:
    """Another plugin that fails when the session ends finds the stand safe already."""
    flag = tmp_path / "powered"
    conftest = (
        "import pytest\n\n@pytest.hookimpl(tryfirst=True)\n"
        "def pytest_sessionfinish():\n    raise RuntimeError('late')\n"
    )
    process = run(HOLDS.format(flag=str(flag), then="pass"), conftest=conftest)
    process.communicate(timeout=200)
    assert process.returncode != 0
    assert flag.exists()
    assert_safe(stand, tmp_path)


def test_safe_makes_a_powered_stand_safe(stand: Stand, tmp_path: Path) -> None:
    """`hilseq safe` switches off what somebody left on, and says that it was verified."""
    stand.ask("VOLT 24", "CURR 1", "OUTP ON", "*OPC?")
    assert stand.is_on
    line = [sys.executable, "-m", "hilseq", "safe", "--stand", str(stand.file)]
    done = subprocess.run(line, capture_output=True, text=True, check=False, timeout=200, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "verified by reading back" in done.stdout
    assert not stand.is_on


def test_ready_leaves_the_stand_off(stand: Stand, tmp_path: Path) -> None:
    """`hilseq ready --power` powers the unit, and leaves everything off."""
    line = [
        sys.executable,
        "-m",
        "hilseq",
        "ready",
        "--stand",
        str(stand.file),
        "--unit",
        str(RH16),
        "--power",
    ]
    done = subprocess.run(line, capture_output=True, text=True, check=False, timeout=200, cwd=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "the unit is ready" in done.stdout
    assert not stand.is_on


def test_a_served_twin_is_no_hardware(run: Run, tmp_path: Path) -> None:
    """A run against a twin on the wall clock says that it is simulated: no customer's record may be of one."""
    process = run("def test_it(bench):\n    assert bench\n")
    assert process.stdout is not None
    assert "(simulated)" in process.stdout.read()
    assert journal(tmp_path)[0]["simulated"] is True


def test_nothing_is_powered_before_the_ceilings_are_set(stand: Stand, run: Run, tmp_path: Path) -> None:
    """When the unit has power, the supply itself holds current limit and over-voltage protection."""
    flag = tmp_path / "powered"
    process = run(HOLDS.format(flag=str(flag), then=WAITS))
    wait_for(flag, process)
    limit, protection = (float(answer) for answer in stand.ask("CURR?", "VOLT:PROT?"))
    assert limit == pytest.approx(1.5)
    assert protection == pytest.approx(31.0)
    process.send_signal(signal.SIGTERM)
    process.communicate(timeout=120)
    assert_safe(stand, tmp_path)
