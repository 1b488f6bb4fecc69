"""Three days of soak at 1 Hz on the simulated stand: wall time, processor time, memory.

    python tests/bench/bench_soak.py [DURATION]

The stand is the demo's, but its I/O box shows its digital signals as bits of registers beside the analog ones, as
many boxes do: a snapshot is one request, which is what the design counts. The unit's own registers are one more.
Before and after the soak as many bare echoes as a sample has exchanges are timed on the same processors: the floor.

Run it on a quiet machine: the design allows 90 s of wall time for 72 h on two cores. Processor time of both
processes (the run and its twin) hardly depends on what else runs. Memory is looked at every second; its slope
over the second half must be nothing that would matter in weeks.
"""

from __future__ import annotations

import os
import re
import resource
import runpy
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from pathlib import Path
from statistics import linear_regression

from hilseq.journal.samples import read_samples
from hilseq.quantities import parse, show_duration

ROOT = Path(__file__).parents[2]
MOST_WALL = 90.0
#: Measurement, snapshot, the unit's registers, advance.
EXCHANGES = 4
#: How often the floor the design allows.
MOST_OFTEN = 6.0


def one_request(stand: str) -> str:
    """Return the text of the demo's stand with its sampled digital signals packed into two registers."""
    # The read-backs at the terminals, which only the stand's own test looks at, make room.
    stand = stand.replace("input register, address: 20,", "input register, address: 22,")
    for name, place in {
        "q01..q16": "address: 20, bit: 0",
        "lamp-green": "address: 21, bit: 0",
        "lamp-red": "address: 21, bit: 1",
        "cover": "address: 21, bit: 2",
    }.items():
        place_before = rf"(  {re.escape(name)}: \{{io: rack, )table: discrete input, address: \d+"
        stand, found = re.subn(place_before, rf"\1table: input register, {place}", stand)
        if found != 1:
            raise SystemExit(f"{name} is not where it was in the demo's stand")
    return stand


def floor(seconds: float) -> float:
    """Return the time that bare echoes between two processes take for the exchanges of one sample, s."""
    bench = runpy.run_path(str(Path(__file__).with_name("bench_servers.py")))
    process, port = bench["started"](bench["echo"])
    with bench["connect"](port) as connection:
        a_second: float = bench["rate"](
            connection, b"x" * 23 + b"\n", lambda back: back[-1:] == b"\n", seconds
        )
    process.join()
    return EXCHANGES / a_second


def resident(pid: int) -> float:
    """Return the resident memory of a process, MB."""
    pages = int(Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def worked(pid: int) -> float:
    """Return the processor time of a process, s."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def watch(process: subprocess.Popen[bytes], samples: Path) -> list[tuple[float, float, float]]:
    """Look at run and twin every second: (MB of samples written, MB of the run, MB of the twin)."""
    seen = []
    while process.poll() is None:
        children = Path(f"/proc/{process.pid}/task/{process.pid}/children")
        try:
            twin = int(children.read_text(encoding="ascii").split()[0])
            written = samples.stat().st_size / 1e6
            seen.append((written, resident(process.pid), resident(twin)))
        except (OSError, IndexError, ValueError):
            pass
        with suppress(subprocess.TimeoutExpired):
            process.wait(1.0)
    return seen


def main() -> None:
    """Run one soak and print what it took."""
    duration = sys.argv[1] if len(sys.argv) > 1 else "72h"
    patience = min(2.0, parse(duration, "time") / 43_200.0)
    with tempfile.TemporaryDirectory() as scratch:
        folder, stand = Path(scratch) / "run", Path(scratch) / "stand.yaml"
        stand.write_text(one_request((ROOT / "stands/sim-bench.yaml").read_text("utf-8")), encoding="utf-8")
        line = [sys.executable, "-m", "hilseq", "run", str(ROOT / "sequences" / "test_95_soak.py")]
        line += [
            "--stand",
            str(stand),
            "--unit",
            str(ROOT / "stands/units/rh16.yaml"),
        ]
        line += ["--serial", "RH-000101", "--simulate", "--soak", "--soak-duration", duration]
        bare = [floor(patience)]
        used_before = resource.getrusage(resource.RUSAGE_CHILDREN)
        begun = time.perf_counter()
        process = subprocess.Popen([*line, "--out", str(folder)], stdout=subprocess.DEVNULL)
        seen = watch(process, folder / "samples-A.bin")
        wall = time.perf_counter() - begun
        used = resource.getrusage(resource.RUSAGE_CHILDREN)
        bare.append(floor(patience))
        samples = read_samples(folder / "samples-A.bin")
        journal = (folder / "journal.jsonl").stat().st_size
    count, soaked = len(samples.times), parse(duration, "time")
    processor = used.ru_utime + used.ru_stime - used_before.ru_utime - used_before.ru_stime
    print(f"{show_duration(soaked)} of soak, {count} samples of {len(samples.columns)} values")
    print(f"wall            {wall:8.1f} s   {1e6 * wall / count:6.0f} us a sample")
    least = sum(bare) / len(bare)
    ratio = wall / count / least
    print(f"bare echoes     {least * count:8.1f} s   {1e6 * least:6.0f} us a sample")
    print(
        f"{ratio:.1f} x the floor, {'within' if ratio <= MOST_OFTEN else 'BEYOND'} the {MOST_OFTEN:g} x of the design"
    )
    print(f"processor, both {processor:8.1f} s   {1e6 * processor / count:6.0f} us a sample")
    print(f"load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    print(f"samples {samples.whole_bytes / 1e6:.1f} MB, journal {journal / 1e3:.0f} kB")
    later = seen[len(seen) // 2 :]
    per_hour = samples.whole_bytes / 1e6 / (soaked / 3600.0)
    for name, column in (("run", 1), ("twin", 2)):
        slope = ""
        if len(later) > 2:
            grown = linear_regression([row[0] / per_hour for row in later], [row[column] for row in later])
            slope = f", {1e3 * grown.slope:+.1f} kB per hour of soak"
        print(f"memory of the {name:5} {max(row[column] for row in seen):6.1f} MB at most{slope}")
    if duration == "72h":
        print(f"{'within' if wall < MOST_WALL else 'BEYOND'} the {MOST_WALL:g} s of the design, ", end="")
        print(f"{'within' if ratio <= MOST_OFTEN else 'BEYOND'} its {MOST_OFTEN:g} x the floor")


if __name__ == "__main__":
    main()
