"""A stand belongs to one user at a time, `safe` means safe, and a guard that hangs is noticed: how often of how many.

    python tests/bench/bench_one_user.py [COUNT] [SEED] [pair|soak|cycling|guard|both …]

Each is done COUNT times (20), at random moments, on a separately started simulated stand in real time:

- pairs: two runs begin together, with two stand files that name the same instruments: one continues, the other one
  ends with 75 and tells who is there;
- soak, cycling: `hilseq safe` against a soak, and against a run that cycles power, while somebody begins a further
  run: the supply is off, stays off, and the run ends with 3;
- guard: the guard is stopped (SIGSTOP): wall time until the supply says that it is off (2 s allowed);
- both: run and guard are stopped together, then `hilseq safe`: the supply is off.
"""

from __future__ import annotations

import importlib.util
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

_SPEC = importlib.util.spec_from_file_location("rig", Path(__file__).parents[1] / "guard" / "rig.py")
assert _SPEC is not None
assert _SPEC.loader is not None
rig: Any = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(rig)

IN_USE, INCOMPLETE = 75, 3
ALLOWED = 2.0
#: How long the supply is looked at after `safe` has ended, s.
LOOKED_AT = 10.0
CYCLING = '''
def test_cycles(supply, clock):
    """Power comes and goes."""
    supply.on()
    for _ in range(500):
        clock.sleep(0.3)
        supply.cycle(0.3)
'''


def hilseq(*words: str) -> subprocess.CompletedProcess[str]:
    """Run one command to its end."""
    return subprocess.run(
        [sys.executable, "-m", "hilseq", *words], capture_output=True, text=True, check=False
    )


def released(simulator: Any) -> None:
    """Let the stand be powered again."""
    hilseq("stand", "--stand", str(simulator.stand), "--release", "--reason", "the next trial")


def pair(simulator: Any, folder: Path, draw: random.Random) -> bool:
    """Begin two runs together; tell whether one was refused with the right words and the other one continued."""
    other = folder / "other.yaml"
    other.write_text(simulator.stand.read_text().replace("stand: ", "stand: other-", 1))
    first = rig.Run(simulator, folder / "first")
    time.sleep(draw.uniform(0.0, 0.5))
    own, simulator.stand = simulator.stand, other
    second = rig.Run(simulator, folder / "second")
    simulator.stand = own
    runs = (first, second)
    rig.wait_until(lambda: any(run.process.poll() is not None for run in runs))
    refused = next(run for run in runs if run.process.poll() is not None)
    kept = second if refused is first else first
    rig.wait_until(simulator.is_on)
    words = refused.log.read_text()
    right = (
        refused.process.returncode == IN_USE
        and all(part in words for part in (f"process {kept.process.pid}", str(kept.out), "since 20"))
        and kept.process.poll() is None
    )
    os.kill(kept.process.pid, signal.SIGINT)
    return kept.end() == INCOMPLETE and right


def soak(simulator: Any, folder: Path, draw: random.Random) -> bool:
    """Make safe under a soak."""
    run = rig.Run(simulator, folder / "run", "--soak", "--soak-duration", "20h", sequence=rig.SOAK)
    return stays_off(simulator, folder, draw, run)


def cycling(simulator: Any, folder: Path, draw: random.Random) -> bool:
    """Make safe under power cycling."""
    sequence = folder / "test_cycling.py"
    sequence.write_text(CYCLING)
    return stays_off(simulator, folder, draw, rig.Run(simulator, folder / "run", sequence=sequence))


def stays_off(simulator: Any, folder: Path, draw: random.Random, run: Any) -> bool:
    """Make safe under a run, and try to power it again; tell whether it was and stayed off, and how the run ended."""
    rig.wait_until(simulator.is_on)
    time.sleep(draw.uniform(0.0, 1.5))
    done = hilseq("safe", "--stand", str(simulator.stand))
    late = rig.Run(simulator, folder / "late")
    stays, until = True, time.monotonic() + LOOKED_AT
    while time.monotonic() < until:
        stays = stays and not simulator.is_on()
        time.sleep(0.05)
    rig.wait_until(simulator.is_off)
    right = done.returncode == 0 and run.end() == INCOMPLETE and late.end() == IN_USE and stays
    released(simulator)
    if not right:
        print(
            f"  safe {done.returncode}, run {run.end()}, late run {late.end()}, stayed off: {stays}\n{done.stdout}"
        )
    return bool(right)


def guard(simulator: Any, folder: Path, draw: random.Random) -> bool:
    """Stop the guard; tell whether the supply was off in time."""
    run = rig.Run(simulator, folder / "run")
    rig.wait_until(simulator.is_on)
    time.sleep(draw.uniform(0.0, 1.0))
    os.kill(run.guard_pid(), signal.SIGSTOP)
    took = rig.wait_until(simulator.is_off, within=20.0, every=0.002)
    print(f"  off after {took:.2f} s")
    return bool(took <= ALLOWED and run.end() == INCOMPLETE)


def both(simulator: Any, folder: Path, draw: random.Random) -> bool:
    """Stop run and guard, then make safe; tell whether everything is off."""
    run = rig.Run(simulator, folder / "run")
    rig.wait_until(simulator.is_on)
    time.sleep(draw.uniform(0.0, 1.0))
    for pid in (run.guard_pid(), run.process.pid):
        os.kill(pid, signal.SIGSTOP)
    done = hilseq("safe", "--stand", str(simulator.stand))
    off = simulator.is_off()
    run.end()
    released(simulator)
    return done.returncode == 0 and bool(off)


def main() -> None:
    """Do all trials and print how many went right."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    draw = random.Random(int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    trials: tuple[Callable[[Any, Path, random.Random], bool], ...] = (pair, soak, cycling, guard, both)
    chosen = sys.argv[3:]
    wrong = 0
    with tempfile.TemporaryDirectory() as scratch:
        os.environ["HILSEQ_LOCKS"] = f"{scratch}/locks"
        simulator = rig.Simulator(Path(scratch) / "stand")
        for trial in (trial for trial in trials if not chosen or trial.__name__ in chosen):
            right = 0
            for number in range(count):
                folder = Path(scratch) / f"{trial.__name__}{number}"
                folder.mkdir()
                right += trial(simulator, folder, draw)
                print(f"  {trial.__name__}: {right} of {number + 1} so far", flush=True)
            wrong += count - right
            print(f"{trial.__name__:7} {right} of {count}", flush=True)
        simulator.close()
    sys.exit(wrong > 0)


if __name__ == "__main__":
    main()
