"""A soak killed at random moments: how soon the supply is off, what is lost, whether the rest is made.

    python tests/bench/bench_kills.py [COUNT] [SEED] [HOURS]

Each time a run of HOURS (4) of soak on a separately started simulated stand (stepped clock) is ended by SIGKILL at a
random moment after its supply came on. Looked at: the wall time until the supply itself says that it is off
(the design allows 2 s), whether every sample that was on the disk before the kill is there afterwards, and
whether `hilseq resume` makes a whole record of it.
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
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np

from hilseq.journal.reader import read_journal
from hilseq.journal.samples import read_samples
from hilseq.journal.soak_entries import SoakEnded, SoakStarted

_SPEC = importlib.util.spec_from_file_location("rig", Path(__file__).parents[1] / "guard" / "rig.py")
assert _SPEC is not None
assert _SPEC.loader is not None
rig: Any = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(rig)

HOURS = int(sys.argv[3]) if len(sys.argv) > 3 else 4
SOAKED = 3600 * HOURS
#: An hour of soak takes more than a second of wall time; moments beyond its end would kill nothing.
LATEST = 0.625 * HOURS
ALLOWED = 2.0


def samples_of(folder: Path) -> np.ndarray:
    """Return the times of the samples on the disk."""
    path = folder / "samples-A.bin"
    return read_samples(path).times if path.exists() and path.stat().st_size > 0 else np.empty(0)


def kill_once(folder: Path, moment: float) -> dict[str, Any]:
    """Kill one run `moment` s after its supply came on; return what was seen."""
    simulator = rig.Simulator(folder, clock="stepped")
    run = rig.Run(simulator, folder / "run", "--soak", "--soak-duration", f"{HOURS}h", sequence=rig.SOAK)
    try:
        rig.wait_until(simulator.is_on)
        time.sleep(moment)
        before = samples_of(run.out)
        if run.process.poll() is not None:
            raise RuntimeError(f"the soak was over {moment:.2f} s after power came: nothing was killed")
        os.kill(run.process.pid, signal.SIGKILL)
        off = rig.wait_until(simulator.is_off, within=20.0, every=0.002)
        reported = run.guarded()
        run.process.wait(10)
        kept = samples_of(run.out)
        line = [sys.executable, "-m", "hilseq", "resume", str(run.out)]
        resumed = subprocess.run(line, capture_output=True, text=True, check=False, timeout=500)
        journal = read_journal(run.out)
        after = samples_of(run.out)
        begun = bool(journal.of(SoakStarted))
        ended = journal.of(SoakEnded)
        whole = not journal.broken and len(ended) == 1 and len(after) >= SOAKED
        return {
            "moment": moment,
            "off": off,
            "verified": reported["verified"],
            "before": len(before),
            "lost": len(before) - int(np.count_nonzero(np.isin(before, kept) & np.isin(before, after))),
            "begun": begun,
            "whole": whole and resumed.returncode in (0, 3),
            "said": resumed.stdout[-300:] + resumed.stderr[-300:],
        }
    finally:
        run.close()
        simulator.close()


def main() -> int:
    """Run the campaign and print what came of it."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    moments = random.Random(seed)
    rows = []
    with suppress(KeyboardInterrupt):  # Ctrl-C: tell what came of it so far
        for number in range(count):
            with tempfile.TemporaryDirectory() as scratch:
                row = kill_once(Path(scratch), moments.uniform(0.0, LATEST))
            rows.append(row)
            print(f"\r{number + 1} of {count} kills", end="", file=sys.stderr, flush=True)
            if row["lost"] or not row["verified"] or row["off"] > ALLOWED or row["begun"] > row["whole"]:
                print(f"\n{row}")
    print(file=sys.stderr)
    off = [row["off"] for row in rows]
    soaking = [row for row in rows if row["begun"]]
    print(f"killed {len(rows)} times, {len(soaking)} of them during the soak")
    print(
        f"supply off after {np.median(off):.3f} s (median), {max(off):.3f} s (longest); allowed {ALLOWED} s"
    )
    print(f"switched off and verified: {sum(row['verified'] for row in rows)} of {len(rows)}")
    print(
        f"samples on the disk before the kill: {sum(row['before'] for row in rows)}, lost: "
        f"{sum(row['lost'] for row in rows)}"
    )
    print(f"resumed to a whole record: {sum(row['whole'] for row in soaking)} of {len(soaking)}")
    print(f"load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    late = sum(row["off"] > ALLOWED for row in rows)
    print(f"off later than allowed: {late}, which is no failure on a busy machine")
    good = all(row["verified"] and not row["lost"] for row in rows)
    return 0 if good and all(row["whole"] for row in soaking) else 1


if __name__ == "__main__":
    sys.exit(main())
