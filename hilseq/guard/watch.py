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
from collections.abc import Callable
from typing import Any

from hilseq.clock import WallClock, nothing
from hilseq.description.stand import Stand
from hilseq.guard.protocol import BEAT, DISARM, INTERVAL, READY, TAKE_OVER
from hilseq.guard.rescue import rescue
from hilseq.lease.signs_of_life import SignsOfLife
from hilseq.procedures.bench import Bench

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
    with contextlib.suppress(OSError):  # a run that has ended already is met by `watch`
        os.write(sys.stdout.fileno(), READY)
    os.set_blocking(sys.stdout.fileno(), False)
    reason = watch(pipe.fileno(), orders["run"].pid, _beat)
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
            sys.exit("the guard received no instructions")
        data += part
    return data


def _bench(stand: Stand) -> Bench:
    import pymodbus.client
    import pyvisa
    import serial  # noqa: F401 - loaded for the moment it is needed

    pyvisa.ResourceManager("@py")
    del pymodbus
    return Bench(stand, {}, {}, WallClock(), lambda _what, _text, _slot: None)


def watch(pipe: int, run_pid: int, beat: Callable[[], None] = nothing) -> str:
    """Wait for the end of the run; return why it must be made safe, or an empty text when disarmed.

    `beat` is called all the while: the run hears by it that this loop runs.
    """
    run = SignsOfLife(run_pid)
    while not run.has_ceased:
        beat()
        readable, _, _ = select.select([pipe], [], [], INTERVAL)
        if not readable:
            continue
        said = os.read(pipe, 4096)
        if DISARM in said:
            return ""
        if TAKE_OVER in said:
            return UNVERIFIED
        if not said:
            return "the run has died"
        if BEAT in said:
            run.heard()
    return f"the run has sent no heartbeat for {run.silence:.1f} s"


def _beat() -> None:
    """Write one beat; a run that has stopped reading, or has gone, is seen by its silence."""
    with contextlib.suppress(OSError):
        os.write(sys.stdout.fileno(), BEAT)


def make_safe(bench: Bench, orders: dict[str, Any], reason: str) -> None:
    """End the run, make the stand safe, and journal it."""
    if reason != UNVERIFIED:
        orders["run"].kill()
    why = rescue(bench.make_safe, orders["folder"], reason, orders["latch"])
    bench.close()
    sys.exit(0 if not why else 4)


if __name__ == "__main__":
    main()
