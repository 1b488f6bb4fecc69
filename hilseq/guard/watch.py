"""The guard's own process: `python -m hilseq.guard.watch`.

Standard input is the run's pipe. Everything heavy is imported before the guard says it is ready, so that
nothing has to be loaded, and no disk has to be read, when it matters.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import select
import signal
import sys
import time
from pathlib import Path
from typing import Any

from hilseq.clock import WallClock
from hilseq.description.stand import Stand
from hilseq.errors import HilseqError
from hilseq.guard.protocol import BEAT, BUSY, DISARM, FILE_NAME, READY, SILENCE, STARVED, TAKE_OVER
from hilseq.journal.entries import MadeSafe
from hilseq.journal.writer import JournalWriter
from hilseq.lease.process import kernel_fields
from hilseq.procedures.bench import Bench

#: Attempts to reach the safe state go on this long, s: a single-connection instrument may first have to
#: notice that the dead run's connection is gone.
PERSEVERANCE = 60.0
UNVERIFIED = "the run could not verify the safe state"


def main() -> None:
    """Watch until disarmed; else make the stand safe."""
    for name in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        # The terminal and the run's own death must not take the guard along.
        signal.signal(name, signal.SIG_IGN)
    pipe = os.fdopen(sys.stdin.fileno(), "rb", buffering=0)
    orders = _read_orders(pipe)
    # Instruments are opened only in need, but their libraries are loaded now.
    bench = _bench(orders["stand"])
    os.write(sys.stdout.fileno(), READY)
    reason = watch(pipe.fileno(), orders["run"].pid)
    if reason:
        make_safe(bench, orders, reason)


def _read_orders(pipe: Any) -> dict[str, Any]:
    """Read what to watch: eight bytes of length, then the pickled orders of the run that started us."""
    length = int.from_bytes(_exactly(pipe, 8), "big")
    orders: dict[str, Any] = pickle.loads(_exactly(pipe, length))  # noqa: S301 - our own parent's pipe
    return orders


def _exactly(pipe: Any, count: int) -> bytes:
    data = b""
    while len(data) < count:
        part = pipe.read(count - len(data))
        if not part:
            sys.exit("the guard got no orders")
        data += part
    return data


def _bench(stand: Stand) -> Bench:
    import pymodbus.client
    import pyvisa
    import serial  # noqa: F401 - loaded for the moment it is needed

    pyvisa.ResourceManager("@py")
    del pymodbus
    return Bench(stand, {}, {}, WallClock(), lambda _what, _text, _slot: None)


def watch(pipe: int, run_pid: int) -> str:
    """Wait for the end of the run; return why it must be made safe, or an empty text when disarmed."""
    silent_since, worked = time.monotonic(), _work(run_pid)
    while True:
        readable, _, _ = select.select([pipe], [], [], max(0.0, silent_since + SILENCE - time.monotonic()))
        if readable:
            said = os.read(pipe, 4096)
            if DISARM in said:
                return ""
            if TAKE_OVER in said:
                return UNVERIFIED
            if not said:
                return "the run has died"
            if BEAT in said:
                silent_since, worked = time.monotonic(), _work(run_pid)
            continue
        silence = time.monotonic() - silent_since
        starved = _is_runnable(run_pid) and _work(run_pid) - worked < BUSY * silence
        if silence > SILENCE + STARVED or (silence >= SILENCE and not starved):
            return f"the run has given no sign of life for {silence:.1f} s"
        if silence >= SILENCE:
            time.sleep(0.05)


def _is_runnable(pid: int) -> bool:
    """Tell whether the operating system would run a thread of it if it had a processor to spare."""
    with contextlib.suppress(OSError):
        return any(kernel_fields(task / "stat")[:1] == ["R"] for task in Path(f"/proc/{pid}/task").iterdir())
    return False


def _work(pid: int) -> float:
    """Return the processor time that the process has had, s."""
    fields = kernel_fields(Path(f"/proc/{pid}/stat"))
    try:
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    except (IndexError, ValueError):
        return 0.0


def make_safe(bench: Bench, orders: dict[str, Any], reason: str) -> None:
    """End the run, make the stand safe, and journal it. Safety first: the disk is touched last."""
    begun = time.monotonic()
    if reason != UNVERIFIED:
        orders["run"].kill()
    tries = 0
    while True:
        tries += 1
        try:
            bench.make_safe()
            why = ""
        except HilseqError as error:
            why = str(error)
        if not why or time.monotonic() - begun > PERSEVERANCE:
            break
        time.sleep(0.1)
    took = time.monotonic() - begun
    bench.close()
    if not orders["folder"]:
        sys.exit(0 if not why else 4)
    with contextlib.suppress(OSError, HilseqError):
        # A full or vanished disk must not make a verified safe state look like a failure.
        folder = Path(orders["folder"])
        # A run that was continued may be killed again.
        journal = JournalWriter(folder, file_name=FILE_NAME, resume=(folder / FILE_NAME).exists())
        journal.write(
            MadeSafe(
                verified=not why, why=why, by="guard", reason=reason, tries=tries, seconds=round(took, 3)
            )
        )
        journal.close()
    sys.exit(0 if not why else 4)


if __name__ == "__main__":
    main()
