"""Every defect of the stand at random moments of a soak: who is blamed, and does anything hang.

    python tests/bench/bench_stand_faults.py [DRAWS] [SEED]

For each kind of defect of the stand, place and severity are drawn as `hilseq coverage` draws them, beyond its
limits; it begins at a random moment of a soak of 20 minutes and lasts 20 s, or for good. The unit is good: it
may never go to repair, and no run may take longer than four minutes.
"""

from __future__ import annotations

import json
import random
import subprocess
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from hilseq.coverage.cases import Case, draw
from hilseq.twin import catalogue

ROOT = Path(__file__).parents[2]
STAND, UNIT = ROOT / "stands/sim-bench.yaml", ROOT / "stands/units/rh16.yaml"
#: A silent supply is asked again for ten minutes of the stand's clock: some thirty deadlines of 2 s on the wall, and
#: as many again to make the slot safe.
HANGS = 240.0
#: More than there are processors: a soak with a silent instrument waits for a minute and does nothing.
AT_ONCE = 5


def soak(case: Case, after: int, lasting: str) -> tuple[str, float, list[str]]:
    """Run one soak; return its disposition, how long it took, and what was found."""
    with tempfile.TemporaryDirectory() as scratch:
        out = Path(scratch) / "run"
        line = [sys.executable, "-m", "hilseq", "run", str(ROOT / "sequences" / "test_95_soak.py")]
        line += ["--stand", str(STAND), "--unit", str(UNIT), "--serial", "RH-000101", "--simulate", "--soak"]
        line += ["--soak-duration", "20min", "--seed", str(case.seed), "--out", str(out)]
        line += [f"--defect={case.spec},after={after}s{lasting}"]
        begun = time.monotonic()
        try:
            subprocess.run(
                line, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False, timeout=HANGS
            )
        except subprocess.TimeoutExpired:
            return "hangs", HANGS, []
        took = time.monotonic() - begun
        (unit,) = json.loads((out / "summary.json").read_text(encoding="utf-8"))["units"]
        found = [f"{one['place']}: {one['what'][:120]}" for one in unit["findings"]]
        return unit["disposition"], took, found


def main() -> int:
    """Run the campaign and print what came of it."""
    draws = int(sys.argv[1]) if len(sys.argv) > 1 else 4
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    rows = [row for row in catalogue(STAND, UNIT) if row["side"] == "stand"]
    cases = [case for case in draw(rows, draws=draws, units=0, seed=seed) if case.beyond]
    stream = random.Random(seed)
    plans = [(case, stream.randrange(1, 1190), stream.choice([",for=20s", ""])) for case in cases]
    ends: Counter[str] = Counter()
    wrong = []
    longest = 0.0
    with ThreadPoolExecutor(AT_ONCE) as pool:
        results = pool.map(lambda plan: soak(*plan), plans)
        for (case, after, lasting), (disposition, took, found) in zip(plans, results, strict=True):
            ends[disposition] += 1
            longest = max(longest, took)
            if disposition in ("repair", "hangs"):
                wrong.append(case.defect)
                print(f"\n{disposition}: {case.spec},after={after}s{lasting} (seed {case.seed}): {found}")
            print(f"\r{sum(ends.values())} of {len(plans)} soaks", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    print(f"{len(rows)} kinds of defects of the stand, {len(plans)} soaks; the longest took {longest:.0f} s")
    print(", ".join(f"{disposition} {count}" for disposition, count in sorted(ends.items())))
    print(f"good units blamed or runs that hang: {len(wrong)} {wrong}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
