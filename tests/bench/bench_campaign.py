"""How a campaign scales with its workers: the same visits by 1, 2 and 4, as a ratio within one run.

    python tests/bench/bench_campaign.py [VISITS] [WORKERS ...]

The visits are those of good units through the stage of power-on, on the shipped stand. Workers and their processes are
begun and warm before the time is taken. With as many workers as processors the ratio should come near their number;
with more it should not fall. What is found must be the same each time.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from pathlib import Path

from hilseq import resources
from hilseq.cli.run import run_visit
from hilseq.coverage.campaign import Workers
from hilseq.coverage.cases import Case, RowFile, campaign_of
from hilseq.coverage.parcel import Parcel
from hilseq.coverage.visits import CampaignSetup


def main() -> int:
    """Run the bench and print what it measured."""
    visits = int(sys.argv[1]) if len(sys.argv) > 1 else 24
    stands, sequences = resources.folder("stands"), resources.folder("sequences")
    parcel = Parcel()
    setup = CampaignSetup(
        parcel,
        parcel.add(stands / "sim-bench.yaml"),
        parcel.add(stands / "units" / "rh16.yaml"),
        "A",
        (parcel.add(sequences / "test_10_power_on.py"),),
        run_visit,
    )
    counts = [int(word) for word in sys.argv[2:]] or [1, 2, 4]
    cases = [Case(number, seed=number + 1) for number in range(visits)]
    first, found = 0.0, []
    print(f"{visits} visits, {os.cpu_count()} processors")
    for count in counts:
        with Workers(count) as workers, tempfile.TemporaryDirectory() as folder:
            warm = [Case(visits + number, seed=1) for number in range(3 * count)]
            list(workers.make(setup, warm, RowFile(Path(folder) / "warm", campaign_of({}, parcel))))
            begun = time.perf_counter()
            rows = list(workers.make(setup, cases, RowFile(Path(folder) / "rows", campaign_of({}, parcel))))
            took = time.perf_counter() - begun
        found.append(sorted(rows, key=lambda row: int(row["number"])))
        first = first or took
        print(
            f"{count} workers: {visits / took * 60:.0f} visits a minute, {first / took:.2f} times one worker"
        )
    same = all(rows == found[0] for rows in found)
    print(f"the same rows each time: {same}")
    return 0 if same else 1


if __name__ == "__main__":
    sys.exit(main())
