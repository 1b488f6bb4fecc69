"""Eight units at once, one of them bad in each way a neighbour can be: how many of the others are judged as if alone.

    python tests/bench/bench_rack.py [SLOTS] [SEQUENCE …] [--neighbour WORDS] [--compared N]

Without sequences the full set is run: some minutes for each kind of neighbour. Beside the readings it prints the time
on the stand, and the wall time, of the rack over those of one unit. `--neighbour` takes one kind only (`is sound`,
`fails`, ...), `--compared` looks at the first N of the others.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from hilseq.journal.reader import read_journal
from hilseq.journal.run_state import fold

ROOT = Path(__file__).parents[2]
#: What is wrong with the unit in slot B -> the defect that makes it so; empty for none, and a visit that is killed.
KILLED = "is killed"
NEIGHBOURS = {
    "is sound": "",
    "fails": "no-start@B.start",
    "hangs its link": "link-silent@B.link,after=20s",
    "trips its supply": "supply-trips-early@B.supply p2",
    KILLED: "",
}


def command(folder: Path, sequences: list[str], *options: str) -> list[str]:
    """Return a command line that tests units on the shipped rack."""
    line = [sys.executable, "-P", "-m", "hilseq", "run", *sequences, "--quiet", "--simulate", "--seed", "7"]
    line += ["--stand", str(ROOT / "stands" / "rack-bench.yaml"), "--unit", "RH16"]
    return [*line, "--out", str(folder), *options]


def judged(folder: Path) -> list[Any]:
    """Return every check of a run's unit with its verdict and readings; of one that was ended, say why."""
    if not (folder / "summary.json").exists():
        guard = folder / "guard.jsonl"
        print(f"{folder.name} did not end: {guard.read_text() if guard.exists() else 'no word of a guard'}")
        return [folder]
    (unit,) = json.loads((folder / "summary.json").read_text(encoding="utf-8"))["units"]
    return [(check["id"], check["verdict"], check["readings"]) for check in unit["checks"]]


def stand_time(folder: Path) -> float:
    """Return how long a run took on the stand, s."""
    return fold(read_journal(folder).entries).seconds


def kill(slot: str, folder: Path) -> None:
    """Kill the visit of a slot half a second after its journal has begun."""
    while not (folder / slot / "journal.jsonl").exists():
        time.sleep(0.05)
    time.sleep(0.5)
    for process in Path("/proc").glob("[0-9]*"):
        try:
            words = (process / "cmdline").read_bytes().split(b"\0")
        except OSError:
            continue
        if f"--out={folder / slot}".encode() in words:
            os.kill(int(process.name), signal.SIGKILL)


def main() -> None:
    """Compare, and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("slots", type=int, nargs="?", default=8)
    parser.add_argument("sequences", nargs="*", default=[str(ROOT / "sequences")])
    parser.add_argument("--neighbour", choices=NEIGHBOURS)
    parser.add_argument("--compared", type=int, default=8)
    asked = parser.parse_args()
    slots, sequences = "ABCDEFGH"[: asked.slots], asked.sequences
    serials = {slot: f"RH-0002{n:02d}" for n, slot in enumerate(slots, 1)}
    others = [slot for slot in slots if slot != "B"][: asked.compared]
    if len(slots) < 2:
        print("0 of 0 as alone: a neighbour takes two slots or more")
        return
    with tempfile.TemporaryDirectory() as place:
        home = Path(place)
        alone, walls = {}, []
        for slot in others:
            begun = time.monotonic()
            subprocess.run(
                command(home / f"alone-{slot}", sequences, "--slot", slot, "--serial", serials[slot]),
                check=False,
                stdout=subprocess.DEVNULL,
            )
            walls.append(time.monotonic() - begun)
            alone[slot] = judged(home / f"alone-{slot}")
        for number, (kind, defect) in enumerate(NEIGHBOURS.items()):
            if asked.neighbour not in (None, kind):
                continue
            folder = home / f"rack-{number}"
            given = ",".join(f"{slot}={serial}" for slot, serial in serials.items())
            options = ["--serial", given, *(["--defect", defect] if defect else [])]
            begun = time.monotonic()
            rack = subprocess.Popen(command(folder, sequences, *options), stdout=subprocess.DEVNULL)
            if kind == KILLED:
                kill("B", folder)
            rack.wait()
            wall = time.monotonic() - begun
            same = sum(judged(folder / slot) == alone[slot] for slot in others)
            ratio = max(stand_time(folder / s) for s in others) / stand_time(home / f"alone-{others[0]}")
            print(
                f"neighbour {kind}: {same} of {len(others)} as alone; time on the stand {ratio:.2f} of one, "
                f"wall time {wall / min(walls):.1f} of one"
            )


if __name__ == "__main__":
    main()
