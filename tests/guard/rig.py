"""A separately started simulated stand, a run on it, and a second look at its supply."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from hilseq.description.loading import load_stand
from hilseq.lease.addresses import instruments_of
from hilseq.lease.latch import Latch
from hilseq.lease.lease import end_users, uses_of
from hilseq.twin import write_pointing_stand
from tests.warm import Running

ROOT = Path(__file__).resolve().parents[2]
STAND = ROOT / "stands" / "sim-bench.yaml"
UNIT = ROOT / "stands" / "units" / "rh16.yaml"
HOLD = Path(__file__).parent / "hold.py"
SOAK = ROOT / "sequences" / "test_95_soak.py"
#: A sequence that holds power, and ends only when a file of this name lies beside it.
GO_ON = "go-on"
SLOW_TO_END = """
import time
from pathlib import Path


def test_holds_power(supply, clock):
    supply.on()
    try:
        while True:
            supply.current()
            clock.sleep(0.02)
    finally:
        while not Path(__file__).with_name("go-on").exists():
            time.sleep(0.02)
"""
#: Longest wall time that anything here is waited for, s.
PATIENCE = 60.0
#: Those that run.
simulators: set[Simulator] = set()


def slow_to_end(folder: Path) -> Path:
    """Return the sequence SLOW_TO_END."""
    sequence = folder / "test_slow_to_end.py"
    sequence.write_text(SLOW_TO_END)
    return sequence


def wait_until(true: Callable[[], bool], *, within: float = PATIENCE, every: float = 0.01) -> float:
    """Wait until something is true; return how long that took, s."""
    begun = time.monotonic()
    while not true():
        if time.monotonic() - begun > within:
            raise AssertionError(f"not within {within:g} s")
        time.sleep(every)
    return time.monotonic() - begun


class Simulator:
    """`python -m hilseq_sim`, started as a person would start it, and a stand file that points at it."""

    def __init__(
        self,
        folder: Path,
        *options: str,
        clock: str = "wall",
        stand: Path = STAND,
        slots: Sequence[str] = ("",),
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        line = [sys.executable, "-m", "hilseq_sim", "--stand", str(stand)]
        for slot in (f"{slot}=" if slot else "" for slot in slots):
            line += ["--unit", f"{slot}{UNIT}", "--serial", f"{slot}RH-000101"]
        line += ["--clock", clock, "--parent-pipe", *options]
        self.process = subprocess.Popen(line, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        assert self.process.stdout is not None
        self.endpoints: dict[str, str] = json.loads(self.process.stdout.readline())["endpoints"]
        self.stand = folder / "stand.yaml"
        write_pointing_stand(stand, self.endpoints, self.stand, stepped=clock == "stepped")
        self._instruments = instruments_of(load_stand(self.stand))
        simulators.add(self)

    @property
    def supply_port(self) -> int:
        """TCP port of the supply, or of the first."""
        return self._supply_ports[0]

    @property
    def _supply_ports(self) -> list[int]:
        supplies = (end for part, end in self.endpoints.items() if part.startswith("supply "))
        return list(dict.fromkeys(int(end.split("::")[2]) for end in supplies))

    def ask_supply(self, question: str) -> str:
        """Ask the supply over a connection of one's own; an empty text while it takes no other."""
        return self.ask(self.supply_port, question)

    @staticmethod
    def ask(port: int, question: str) -> str:
        """Ask a supply at a port, over a connection of one's own; an empty text while it takes no other."""
        with (
            suppress(OSError),
            socket.create_connection(("127.0.0.1", port), timeout=2) as connection,
        ):
            connection.sendall(question.encode() + b"\n")
            return connection.recv(256).decode().strip()
        return ""

    def is_off(self) -> bool:
        """Return whether the supply says that its output is off."""
        return self.ask_supply("OUTP?") == "0"

    def is_on(self) -> bool:
        """Return whether the supply says that its output is on."""
        return self.ask_supply("OUTP?") == "1"

    def leave_at_rest(self) -> None:
        """Whatever a test has left on the stand: end it, release the stand, switch it off."""
        for _ in end_users(uses_of(self._instruments), patience=5.0):
            pass
        latch = Latch(self._instruments)
        if latch.standing() is not None:
            latch.release("the test has ended")
        for port in self._supply_ports:
            self.ask(port, "*RST;*OPC?")

    def close(self) -> None:
        """End the simulator."""
        simulators.discard(self)
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        with suppress(OSError):
            self.process.stdin.close()
        try:
            self.process.wait(5)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait(5)
        self.process.stdout.close()


class Run:
    """`hilseq run` on a simulator, in a process group of its own."""

    def __init__(
        self,
        simulator: Simulator,
        out: Path,
        *options: str,
        sequence: Path = HOLD,
        unit: Path = UNIT,
        serial: str = "RH-000101",
        before: Callable[[], None] | None = None,
        terminal: int | None = None,
    ) -> None:
        self.out = out
        line = ["run", str(sequence), "--stand", str(simulator.stand), "--unit", str(unit)]
        line += ["--serial", serial, "--out", str(out), *options]
        self.log = out.parent / f"{out.name}.log"
        self.process: subprocess.Popen[bytes] | Running
        if before is None and terminal is None:
            self.process = Running(*line, log=self.log)
            return
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "hilseq", *line],
                stdin=terminal if terminal is not None else subprocess.DEVNULL,
                stdout=terminal if terminal is not None else log,
                stderr=log if terminal is None else terminal,
                start_new_session=True,
                preexec_fn=before,  # noqa: PLW1509 - this process has one thread when it starts a run
            )

    def entries(self, name: str = "journal.jsonl") -> list[dict[str, Any]]:
        """Return the whole lines of the journal so far, or of the guard's."""
        path = self.out / name
        if not path.exists():
            return []
        lines = path.read_bytes().split(b"\n")[:-1]
        return [json.loads(line) for line in lines]

    def has(self, kind: str, **fields: Any) -> bool:
        """Return whether the journal holds an entry of this kind with these fields."""
        return any(e["kind"] == kind and fields.items() <= e.items() for e in self.entries())

    def guard_pid(self) -> int:
        """Return the process number of the guard: the run's only child that runs its module."""
        children = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text().split()
        for child in children:
            with suppress(OSError):
                if b"hilseq.guard.watch" in Path(f"/proc/{child}/cmdline").read_bytes():
                    return int(child)
        return 0

    def guarded(self) -> dict[str, Any]:
        """Wait for what the guard has journalled, and return it."""
        wait_until(lambda: bool(self.entries("guard.jsonl")))
        return self.entries("guard.jsonl")[-1]

    def end(self) -> int:
        """Wait for the end of the run and return its exit code."""
        return self.process.wait(PATIENCE)

    def close(self) -> None:
        """End what is left of the run."""
        with suppress(ProcessLookupError):
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait(5)
