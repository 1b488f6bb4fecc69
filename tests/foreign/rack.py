"""The I/O simulator of the foreign rig, on pyModbusTCP: `rack.py WORLD SCAN_MS LAMP_LAG_MS SEED [stale]`.

It shows what it saw at its last scan, and passes on what it was sent at its next one; a scan takes SCAN_MS, half of it
more or less. Its sensor of lamps lags by LAMP_LAG_MS. `stale`: after the first 300 scans in which power was there,
its picture of the unit stands still.

Discrete inputs 300..303 outputs, 310 and 311 lamps (healthy, faulted), 320 the loop-back; coils 8, 9 inputs of the
unit, 12 drive of the loop-back.
"""

from __future__ import annotations

import mmap
import random
import sys
import time
from collections import deque
from collections.abc import MutableSequence
from pathlib import Path
from typing import Any

from pyModbusTCP.server import DataBank, ModbusServer

WIRES = [
    *(
        "VOLTS",
        "AMPERES",
        "LAMP_HEALTHY",
        "LAMP_FAULTED",
        "OUT1",
        "OUT2",
        "OUT3",
        "OUT4",
        "IN1",
        "IN2",
        "LOOP",
    ),
    *("SUPPLY_PORT", "UNIT_PORT", "IO_PORT"),
]
SEEN = {
    300: "OUT1",
    301: "OUT2",
    302: "OUT3",
    303: "OUT4",
    310: "LAMP_HEALTHY",
    311: "LAMP_FAULTED",
    320: "LOOP",
}
DRIVEN = {8: "IN1", 9: "IN2", 12: "LOOP"}
STALE_AFTER = 300


def world(path: Path) -> MutableSequence[float]:
    """Return the cells of the shared file as numbers, in the order of WIRES."""
    with path.open("r+b") as file:
        cells: Any = memoryview(mmap.mmap(file.fileno(), len(WIRES) * 8)).cast("d")
    found: MutableSequence[float] = cells
    return found


def scan(
    cells: MutableSequence[float], bank: DataBank, lamps: deque[tuple[float, float, float]], lag: float
) -> None:
    """Show what the wires carry, pass on what was written."""
    wire = {name: cells[number] for number, name in enumerate(WIRES)}
    now = time.monotonic()
    lamps.append((now, wire["LAMP_HEALTHY"], wire["LAMP_FAULTED"]))
    while len(lamps) > 1 and lamps[1][0] <= now - lag:
        lamps.popleft()
    _, wire["LAMP_HEALTHY"], wire["LAMP_FAULTED"] = lamps[0]
    for address, name in DRIVEN.items():
        cells[WIRES.index(name)] = float(bank.get_coils(address)[0])
    for address, name in SEEN.items():
        bank.set_discrete_inputs(address, [wire[name] > 0.5])


def main() -> None:
    """Serve until the input ends."""
    path, scan_ms, lag_ms, seed, *fault = sys.argv[1:]
    cells, noise = world(Path(path)), random.Random(int(seed))
    bank = DataBank()
    server = ModbusServer("127.0.0.1", 0, no_block=True, data_bank=bank)
    server.start()
    cells[WIRES.index("IO_PORT")] = float(server._service.server_address[1])
    lamps: deque[tuple[float, float, float]] = deque()
    powered = 0
    while True:
        powered += cells[WIRES.index("VOLTS")] > 0
        if not (fault and powered > STALE_AFTER):
            scan(cells, bank, lamps, float(lag_ms) / 1e3)
        time.sleep(float(scan_ms) / 1e3 * noise.uniform(0.5, 1.5))


if __name__ == "__main__":
    main()
