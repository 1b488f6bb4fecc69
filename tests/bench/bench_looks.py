"""What one look at the outputs of a unit costs, beside bare echoes in the same run.

    python tests/bench/bench_looks.py [LOOKS]

A visit makes thousands of them (`hilseq/procedures/off_watch.py`): the clock is moved on, and each I/O simulator is
asked for its bits and its registers. Processor time hardly depends on what else runs; the ratios count.
"""

from __future__ import annotations

import importlib.util
import os
import sys
import time
from pathlib import Path
from typing import Any

from hilseq.description.loading import load_profile, load_stand
from hilseq.procedures.bench import Bench
from hilseq.stepped import SteppedClock
from hilseq.twin import Twin, repoint

ROOT = Path(__file__).parents[2]
STAND, UNIT = ROOT / "stands" / "sim-bench.yaml", ROOT / "stands" / "units" / "rh16.yaml"
#: Messages there and back of one look at this stand: advance, bits, registers.
EXCHANGES = 3


def worked(pid: int) -> float:
    """Return the processor time of a process, s."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def echoes(count: int) -> tuple[float, float]:
    """Return the processor time of so many bare echoes, both ends, and their wall time, s."""
    specification = importlib.util.spec_from_file_location(
        "bench_servers", Path(__file__).with_name("bench_servers.py")
    )
    assert specification is not None
    assert specification.loader is not None
    servers: Any = importlib.util.module_from_spec(specification)
    specification.loader.exec_module(servers)
    process, port = servers.started(servers.echo)
    with servers.connect(port) as connection:
        before, begun = worked(process.pid) + time.process_time(), time.perf_counter()
        for _ in range(count):
            connection.sendall(b"x" * 24)
            connection.recv(64)
        took = time.perf_counter() - begun
        used = worked(process.pid) + time.process_time() - before
    process.join()
    return used, took


def looks(count: int) -> tuple[float, float, float]:
    """Return the processor time of so many looks, of the run and of the twin, and their wall time, s."""
    stand = load_stand(STAND)
    (slot,) = stand.slots
    twin = Twin(STAND, {slot: UNIT}, serials={slot: "RH-000101"})
    try:
        pointing = repoint(stand, twin.endpoints)
        assert pointing.simulated_clock is not None
        clock = SteppedClock(pointing.simulated_clock)
        bench = Bench(pointing, {slot: load_profile(UNIT)}, {slot: "RH-000101"}, clock, lambda *_, **__: None)
        bench.prepare()
        watch = bench.unit(slot).off_watch
        watch.power(on=True)
        children = Path(f"/proc/{os.getpid()}/task/{os.getpid()}/children").read_text("ascii").split()
        theirs, ours, begun = worked(int(children[-1])), time.process_time(), time.perf_counter()
        for _ in range(count):
            clock.sleep_until(watch.next_look)
            watch.look()
        took = time.perf_counter() - begun
        ours = time.process_time() - ours
        theirs = worked(int(children[-1])) - theirs
        bench.close()
        clock.close()
    finally:
        twin.close()
    return ours, theirs, took


def main() -> None:
    """Measure both and print them, a look at a time."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 5000
    used, floor = echoes(EXCHANGES * count)
    ours, theirs, took = looks(count)
    scale = 1e6 / count
    print(f"bare echoes    {scale * floor:6.0f} us wall, {scale * used:6.0f} us of the processors, a look")
    print(f"looks          {scale * took:6.0f} us wall, {scale * (ours + theirs):6.0f} us of the processors")
    print(f"of the run     {scale * ours:6.0f} us, of the twin {scale * theirs:6.0f} us")
    print(
        f"{took / floor:.1f} x the wall time, {(ours + theirs) / max(used, 1e-9):.1f} x the work of bare echoes"
    )


if __name__ == "__main__":
    main()
