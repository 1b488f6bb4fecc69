"""Whatever becomes of a run, the supply goes off, and that is verified.

Real processes: a simulator started by itself, `hilseq run` on it, and a second connection that looks at the
supply. That it takes two seconds at most is measured by tests/bench/bench_kills.py: here the machine is busy.
"""

from __future__ import annotations

import os
import pty
import random
import resource
import shutil
import signal
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from hilseq.guard import watch
from hilseq.journal.chain import GENESIS, unseal
from hilseq.journal.reader import read_journal
from hilseq.journal.samples import read_samples
from hilseq.journal.soak_entries import SoakStarted
from hilseq.lease.addresses import StandInstrument
from hilseq.lease.latch import Latch
from hilseq.lease.process import Process

Start = Callable[..., Any]

pytestmark = [
    pytest.mark.timeout(120),
    pytest.mark.skipif(sys.platform == "win32", reason="signals and process groups of POSIX"),
]


@pytest.mark.parametrize("clock", ["wall", "stepped"])
def test_killed_at_random_moments(
    clock: str, request: pytest.FixtureRequest, rig: ModuleType, start: Start
) -> None:
    """SIGKILL at random moments: the guard has the supply off, and says so.

    Ctrl-C, SIGTERM and a hang-up sent to the guard just before do not keep it from its work.
    """
    simulator = request.getfixturevalue(clock)
    moments = random.Random(clock)
    for _ in range(3):
        run = start(simulator)
        rig.wait_until(simulator.is_on)
        time.sleep(moments.uniform(0.0, 0.6))
        for signal_number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            os.kill(run.guard_pid(), signal_number)
        os.kill(run.process.pid, signal.SIGKILL)
        rig.wait_until(simulator.is_off)
        reported = run.guarded()
        assert reported["verified"], reported
        assert reported["reason"] == "the run has died"


def test_a_stopped_run_is_ended_and_the_supply_goes_off(wall: Any, rig: ModuleType, start: Start) -> None:
    """A stopped run (SIGSTOP) sends no heartbeat: it is killed, and the supply goes off."""
    run = start(wall)
    rig.wait_until(wall.is_on)
    os.kill(run.process.pid, signal.SIGSTOP)
    rig.wait_until(wall.is_off)
    assert run.end() == -signal.SIGKILL
    assert "no heartbeat" in run.guarded()["reason"]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_run_that_is_reported_to_end_makes_safe_itself(
    number: signal.Signals, wall: Any, rig: ModuleType, start: Start, tmp_path: Path
) -> None:
    """Ctrl-C and its kin: power goes before the run has unwound, which then makes safe; the guard has nothing to do."""
    run = start(wall, sequence=rig.slow_to_end(tmp_path))
    rig.wait_until(wall.is_on)
    os.kill(run.process.pid, number)
    rig.wait_until(wall.is_off)
    assert not run.has("made safe")
    (tmp_path / rig.GO_ON).touch()
    assert run.end() == 3
    assert run.has("made safe", verified=True)
    assert run.has("run ended", interrupted=True)
    assert run.entries("guard.jsonl") == []


def test_a_closed_terminal_switches_off(wall: Any, rig: ModuleType, start: Start) -> None:
    """The terminal of a run is closed: the supply goes off, by the run or by its guard."""
    master, slave = pty.openpty()
    run = start(wall, terminal=slave, before=_take_terminal)
    os.close(slave)
    rig.wait_until(wall.is_on)
    os.close(master)
    rig.wait_until(wall.is_off)
    assert run.end() == 3
    assert run.has("made safe", verified=True) or run.guarded()["verified"]


def test_an_ignored_hang_up_stays_ignored(wall: Any, rig: ModuleType, start: Start) -> None:
    """What was begun under `nohup` continues when the terminal is closed, and still heeds SIGTERM."""
    run = start(wall, before=lambda: signal.signal(signal.SIGHUP, signal.SIG_IGN))
    rig.wait_until(wall.is_on)
    os.kill(run.process.pid, signal.SIGHUP)
    asked = wall.ask_supply("MEAS:VOLT?")
    rig.wait_until(lambda: wall.ask_supply("MEAS:VOLT?") != asked)  # it lives on for a while
    assert wall.is_on()
    os.kill(run.process.pid, signal.SIGTERM)
    assert run.end() == 3


def _take_terminal() -> None:
    import fcntl
    import termios

    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP])
def test_a_run_whose_guard_dies_or_hangs_makes_safe(
    number: signal.Signals, wall: Any, rig: ModuleType, start: Start
) -> None:
    """Without a guard nothing stays powered: the run makes safe, its journal says why, and no guard is left over."""
    run = start(wall)
    rig.wait_until(wall.is_on)
    guard = Process.of(run.guard_pid())
    os.kill(guard.pid, number)
    rig.wait_until(wall.is_off)
    assert run.end() == 3
    assert run.has("made safe", verified=True)
    assert run.has("event", what="guard lost")
    rig.wait_until(lambda: not guard.lives)


def test_nothing_is_powered_before_the_guard_watches(wall: Any, rig: ModuleType, start: Start) -> None:
    """A run whose guard is killed at birth ends without power."""
    run = start(wall)
    rig.wait_until(lambda: run.guard_pid() != 0)
    with suppress(ProcessLookupError):
        os.kill(run.guard_pid(), signal.SIGKILL)
    assert run.end() in (3, 4)
    assert not run.has("event", what="supply on")
    assert wall.is_off()


def test_an_instrument_with_one_connection_is_reached(rig: ModuleType, start: Start, tmp_path: Path) -> None:
    """The guard holds no instrument while all is well: one for a single client lets it in."""
    simulator = rig.Simulator(tmp_path / "single", "--single-connection")
    try:
        run = start(simulator)
        rig.wait_until(lambda: run.has("event", what="supply on"))
        os.kill(run.process.pid, signal.SIGKILL)
        reported = run.guarded()
        assert reported["verified"], reported
        rig.wait_until(simulator.is_off)
    finally:
        simulator.close()


def test_the_guard_tells_what_it_did_each_time(tmp_path: Path) -> None:
    """A run that was continued may be killed again: its folder holds the guard's first words already.

    What a person had done before is reported with it.
    """

    class Safe:
        def make_safe(self) -> None:
            """Nothing is on."""

        def close(self) -> None:
            """Nothing is open."""

    latch = Latch([StandInstrument("supply main", "192.0.2.77:5025")])
    orders = {"folder": str(tmp_path), "latch": latch}
    for why in ("", "hilseq safe"):
        if why:
            latch.set(why)
        with pytest.raises(SystemExit):
            watch.make_safe(Safe(), orders, watch.UNVERIFIED)  # type: ignore[arg-type]
    lines = (tmp_path / "guard.jsonl").read_bytes().splitlines(keepends=True)
    chain = GENESIS
    for number, line in enumerate(lines):
        entry, chain = unseal(line, number, chain)
        assert entry["verified"]
        assert ("after a person had made the stand safe (latched by" in entry["reason"]) == (number == 1)
    assert len(lines) == 2


ALONE = """
def test_it(supply, clock):
    supply.on()
    clock.sleep(13.0)
    assert supply.instrument.is_on(), "its watchdog has switched it off"
    clock.sleep(600.0)
"""


def test_a_supply_left_alone_switches_off_by_itself(rig: ModuleType, start: Start, tmp_path: Path) -> None:
    """The computer fails, guard and all: the supply's own watchdog, kept content until then, switches it off."""
    stand = tmp_path / "watched.yaml"
    text = rig.STAND.read_text(encoding="utf-8")
    watched = text.replace("    settle: 50 ms\n", "    settle: 50 ms\n    watchdog: 10 s\n").replace(
        "commands: {", 'commands: {set-watchdog: "WDOG {value}", read-watchdog: "WDOG?", '
    )
    stand.write_text(watched, encoding="utf-8")
    (tmp_path / "test_alone.py").write_text(ALONE, encoding="utf-8")
    simulator = rig.Simulator(tmp_path / "simulator", stand=stand)
    try:
        run = start(simulator, sequence=tmp_path / "test_alone.py")
        rig.wait_until(lambda: run.has("event", what="supply on"))
        time.sleep(14.0)  # nobody asks: the questions of this test would keep it content, too
        assert simulator.is_on()
        guard = run.guard_pid()
        os.kill(guard, signal.SIGSTOP)
        os.kill(run.process.pid, signal.SIGKILL)
        os.kill(guard, signal.SIGKILL)
        time.sleep(12.0)
        assert simulator.is_off()
        assert run.entries("guard.jsonl") == []
        assert not run.has("check ended", verdict="failed")
    finally:
        simulator.close()


def _small_files(limit: int) -> Callable[[], None]:
    def apply() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    return apply


@pytest.fixture
def hasty(rig: ModuleType, tmp_path: Path) -> Path:
    """A profile whose soak samples fifty times a second, so that files grow quickly."""
    text = rig.UNIT.read_text(encoding="utf-8")
    path = tmp_path / "hasty.yaml"
    path.write_text(text.replace("  duration: 72 h\n  period: 1 s\n", "  duration: 60 s\n  period: 20 ms\n"))
    return path


def test_a_full_disk_makes_safe_and_loses_nothing(
    wall: Any, rig: ModuleType, start: Start, hasty: Path
) -> None:
    """No room for another sample, nor for JUnit XML: safe first, then a clear error; what was written is whole."""
    run = start(wall, "--soak", sequence=rig.SOAK, before=_small_files(60_000), unit=hasty)
    rig.wait_until(wall.is_on)
    (run.out / "junit.xml").symlink_to("/dev/full")
    rig.wait_until(wall.is_off)
    assert run.end() == 4
    words = run.log.read_text(encoding="utf-8")
    assert "cannot be written any more (File too large)" in words
    assert f"hilseq resume {run.out}" in words
    assert "Traceback" not in words
    journal, samples = read_journal(run.out), read_samples(run.out / "samples-A.bin")
    assert journal.broken == ""
    assert journal.torn == 0
    assert journal.of(SoakStarted)
    assert samples.cut_bytes == 0
    assert len(samples.times) > 10


def test_a_folder_that_is_renamed_loses_nothing(
    wall: Any, rig: ModuleType, start: Start, hasty: Path
) -> None:
    """It is reported at once, the run continues to its own end, and everything is in the folder by its new name."""
    run = start(wall, "--soak", "--soak-duration", "5s", sequence=rig.SOAK, unit=hasty)
    rig.wait_until(lambda: run.has("soak started"))
    first, run.out = run.out, run.out.with_name("renamed")
    first.rename(run.out)
    rig.wait_until(lambda: run.has("event", what="folder renamed"))
    run.end()
    assert not first.exists()
    assert run.entries()[-1]["kind"] == "run ended"
    assert not run.entries()[-1]["interrupted"]
    assert {"summary.json", "junit.xml", "samples-A.bin"} <= {path.name for path in run.out.iterdir()}
    assert list((run.out / "allure-results").glob("*-result.json"))
    assert "Traceback" not in run.log.read_text(encoding="utf-8")


@pytest.mark.parametrize("gone", ["journal.jsonl", "."])
def test_a_folder_that_goes_makes_safe(
    gone: str, wall: Any, rig: ModuleType, start: Start, hasty: Path
) -> None:
    """Journal or folder deleted under a run: it makes safe, and says what is missing."""
    run = start(wall, "--soak", "--soak-duration", "5s", sequence=rig.SOAK, unit=hasty)
    rig.wait_until(lambda: run.has("soak started"))
    if gone == ".":
        shutil.rmtree(run.out)
    else:
        (run.out / gone).unlink()
    rig.wait_until(wall.is_off)
    assert run.end() == 4
    words = run.log.read_text(encoding="utf-8")
    assert "cannot be written any more" in words
    assert "its journal is gone, and with it all that this run has found: test the unit again" in words
    assert "hilseq resume" not in words
    assert run.out.exists() == (gone != "."), "the folder is not made again for JUnit XML alone"
    assert "Traceback" not in words
