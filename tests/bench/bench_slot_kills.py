"""Visits, owner and watcher of a busy rack killed at random: off in time, no neighbour disturbed, no sample lost.

    python tests/bench/bench_slot_kills.py [COUNT] [SEED] [SLOTS]

COUNT (200) times one process, or all visits and the owner at once, gets SIGKILL, SIGSTOP, SIGTERM or the SIGHUP of a
closed terminal while SLOTS (8) units soak at 1 Hz on a separately started rack in real time. Looked at: the wall time
until the supplies themselves say that the slots concerned are off (the design allows 2 s), whether every other slot
stays on and its visit continues, and whether every sample that was on the disk before is there afterwards. What was
ended is begun anew. What was off late is counted, and no failure: that is the machine's. An owner and its watcher do
not heed a closed terminal, nor the watcher SIGTERM: nothing goes off.
"""

from __future__ import annotations

import importlib.util
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from hilseq.errors import HilseqError
from hilseq.journal.samples import read_samples

ROOT = Path(__file__).parents[2]
_SPEC = importlib.util.spec_from_file_location("rig", ROOT / "tests" / "guard" / "rig.py")
assert _SPEC is not None
assert _SPEC.loader is not None
rig: Any = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(rig)

RACK = ROOT / "stands" / "rack-bench.yaml"
ALLOWED = 2.0
#: Time after which a slot is held for one that stays on, s.
NEVER = 20.0
#: Longest wait for those that were killed to end, s.
ENDS = 20.0
#: How long the others are looked at after the slots concerned are off, or all of them where none is, s.
LOOKED_AT = 0.5
SIGNALS = (signal.SIGKILL, signal.SIGSTOP, signal.SIGTERM, signal.SIGHUP)
#: What is killed, as often as it is drawn of ten.
TARGETS = ("visit",) * 7 + ("owner", "watcher", "all")
#: Who continues as if nothing had happened.
UNMOVED = {("owner", signal.SIGHUP), ("watcher", signal.SIGHUP), ("watcher", signal.SIGTERM)}


class BusyRack:
    """A rack in real time with a soak in each slot."""

    def __init__(self, folder: Path, slots: str) -> None:
        self.simulator = rig.Simulator(folder / "twin", stand=RACK, slots=slots)
        self.slots = slots
        self.runs: dict[str, Any] = {}
        self._folder = folder
        self._begun = 0

    def is_on(self, slot: str) -> bool | None:
        """Tell what the supply says of a slot's output; None where it says nothing."""
        number = "ABCDEFGH".index(slot)
        resource = self.simulator.endpoints[f"supply p{number + 1}"]
        reported = self.simulator.ask(int(resource.split("::")[2]), f"OUTP{number % 4 + 1}?")
        return {"0": False, "1": True}.get(reported)

    def fill(self) -> None:
        """Begin a soak in every slot without one, and wait until each has taken a sample."""
        for slot in self.slots:
            if slot not in self.runs:
                self._begun += 1
                out = self._folder / f"{slot}{self._begun}"
                soak = ("--soak", "--soak-duration", "20h", "--slot", slot)
                self.runs[slot] = rig.Run(self.simulator, out, *soak, sequence=rig.SOAK)
        for run in self.runs.values():
            rig.wait_until(lambda run=run: len(samples_of(run.out)) > 0, within=300.0)

    def holder(self) -> dict[str, Any]:
        """Return who holds the instruments: process and guard."""
        line = [sys.executable, "-m", "hilseq", "stand", "--json", "--stand", str(self.simulator.stand)]
        reported = json.loads(subprocess.run(line, capture_output=True, text=True, check=True).stdout)
        found: dict[str, Any] = reported["instruments"][0]["holder"]
        return found

    def close(self) -> None:
        """End everything."""
        for run in self.runs.values():
            run.close()
        self.simulator.leave_at_rest()
        self.simulator.close()


def samples_of(folder: Path) -> np.ndarray:
    """Return the times of the samples on the disk."""
    for path in folder.glob("samples-*.bin"):
        with suppress(HilseqError, ValueError, OSError):  # one that is just begun has no whole head
            return read_samples(path).times
    return np.empty(0)


@dataclass(slots=True)
class Trial:
    """What came of one kill."""

    target: str
    number: signal.Signals
    #: Time until the slots concerned were off, s.
    off: float = 0.0
    disturbed: list[str] = field(default_factory=list)
    lost: int = 0

    @property
    def right(self) -> bool:
        """Return whether all was as it must be, however long it took."""
        return self.off < NEVER and not self.disturbed and not self.lost


def kill_once(rack: BusyRack, draw: random.Random) -> Trial:
    """Kill somebody, and look at all slots."""
    target, number = draw.choice(TARGETS), draw.choice(SIGNALS)
    trial, holder = Trial(target, number), rack.holder()
    slot = draw.choice(rack.slots)
    pids = {
        "visit": [rack.runs[slot].process.pid],
        "owner": [holder["process"]["pid"]],
        "watcher": [holder["guard"]["pid"]],
        "all": [*(run.process.pid for run in rack.runs.values()), holder["process"]["pid"]],
    }[target]
    concerned = "" if (target, number) in UNMOVED else slot if target == "visit" else rack.slots
    others = [name for name in rack.slots if name not in concerned]
    before = {name: samples_of(run.out) for name, run in rack.runs.items()}
    time.sleep(draw.uniform(0.0, 1.0))
    begun = time.monotonic()
    for pid in pids:
        os.kill(pid, number)
    on, until = list(concerned), begun + NEVER
    while on and time.monotonic() < until:
        on = [name for name in on if rack.is_on(name) is not False]
        trial.off = time.monotonic() - begun
    until = time.monotonic() + LOOKED_AT
    while time.monotonic() < until:
        trial.disturbed += [n for n in others if n not in trial.disturbed and rack.is_on(n) is False]
    trial.disturbed += [n for n in others if rack.runs[n].process.poll() is not None]
    until = time.monotonic() + ENDS
    for name in concerned:
        run = rack.runs.pop(name)
        with suppress(subprocess.TimeoutExpired):  # what is stopped does not end
            run.process.wait(max(until - time.monotonic(), 0.01))
        trial.lost += int(np.count_nonzero(~np.isin(before[name], samples_of(run.out))))
        run.close()
    for name in others:
        trial.lost += int(np.count_nonzero(~np.isin(before[name], samples_of(rack.runs[name].out))))
    return trial


def main() -> int:
    """Run the campaign and print what came of it."""
    signal.signal(signal.SIGHUP, signal.SIG_DFL)  # ignored under nohup, and runs heed what they inherit
    signal.signal(signal.SIGINT, signal.default_int_handler)
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    draw = random.Random(int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    slots = "ABCDEFGH"[: int(sys.argv[3]) if len(sys.argv) > 3 else 8]
    trials: list[Trial] = []
    with tempfile.TemporaryDirectory() as scratch:
        os.environ["HILSEQ_LOCKS"] = f"{scratch}/locks"
        rack = BusyRack(Path(scratch), slots)
        try:
            while len(trials) < count:
                rack.fill()
                trials.append(kill_once(rack, draw))
                print(f"{len(trials)} of {count}, load {os.getloadavg()[0]:.1f}: {trials[-1]}", flush=True)
        except KeyboardInterrupt:
            pass  # tell what came of it so far
        finally:
            rack.close()
    drawn = Counter((trial.target, trial.number.name) for trial in trials)
    print(f"{len(trials)} kills with {len(slots)} slots:", end=" ")
    print(", ".join(f"{target} {name} {times}" for (target, name), times in sorted(drawn.items())))
    off = [trial.off for trial in trials if trial.off]
    if off:
        late = sum(took > ALLOWED for took in off)
        print(
            f"off after {np.median(off):.2f} s (median), {max(off):.2f} s (longest); {late} after {ALLOWED} s"
        )
    print(f"neighbours disturbed: {sum(len(trial.disturbed) for trial in trials)}")
    print(f"samples lost: {sum(trial.lost for trial in trials)}")
    print(f"load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    return 0 if all(trial.right for trial in trials) else 1


if __name__ == "__main__":
    sys.exit(main())
