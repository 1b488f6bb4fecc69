"""Starting the simulated twin of a stand, and pointing the stand description at it.

The twin is a separate process (`python -m hilseq_sim`), reached only through SCPI, Modbus and serial
lines as real hardware would be. Below this file nothing knows that a stand is simulated, but for its clock.
"""

from __future__ import annotations

import importlib.util
import json
import multiprocessing
import os
import select
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from functools import cached_property
from pathlib import Path
from typing import Any

from hilseq.description.loading import written_out
from hilseq.description.simulated import served_by_twin
from hilseq.description.stand import Stand
from hilseq.errors import StandFault, UsageError

#: Longest wall time until every server of the twin listens.
START_DEADLINE = 30.0
STOP_DEADLINE = 5.0
#: How a twin begins what it says against its command line.
_REFUSES = "hilseq_sim: "
#: It stops when its standard input ends.
_PIPE = "--parent-pipe"


def command(
    stand: Path,
    units: Mapping[str, Path],
    *,
    serials: Mapping[str, str],
    seed: int,
    defects: Sequence[str],
    clock: str = "stepped",
    real_timing: bool = False,
    defect_files: Sequence[Path] = (),
) -> list[str]:
    """Return the command line that serves the twin."""
    line = [
        sys.executable,
        "-P",
        "-m",
        "hilseq_sim",
        "--stand",
        str(stand),
        "--seed",
        str(seed),
        "--clock",
        clock,
    ]
    line += ["--real-timing"] * real_timing
    for slot, path in units.items():
        line += ["--unit", f"{slot}={path}"]
    for slot, serial in serials.items():
        line += ["--serial", f"{slot}={serial}"]
    for file in defect_files:
        line += ["--defects", str(file)]
    for defect in defects:
        line += ["--defect", defect]
    return line


def model_faults() -> Path:
    """Return the simulator's own file of kinds at the level of its model, for `--defects`."""
    found = importlib.util.find_spec("hilseq_sim")
    if found is None or not found.submodule_search_locations:
        raise UsageError("the simulator is not installed")
    return Path(found.submodule_search_locations[0]) / "defects" / "model_faults.py"


def catalogue(stand: Path, unit: Path, defect_files: Sequence[Path] = ()) -> list[dict[str, Any]]:
    """Return the simulator's defects that make sense for a unit on a stand. Raises UsageError."""
    rows: list[dict[str, Any]] = json.loads(_asked("--catalogue", stand, unit, defect_files))
    return rows


def true_values(stand: Path, unit: Path) -> dict[str, list[str]]:
    """Return the true values that can be set of a unit on a stand, and their places. Raises UsageError."""
    found: dict[str, list[str]] = json.loads(_asked("--true-values", stand, unit, ()))
    return found


def broken_promises(
    stand: Path, unit: Path, defect_files: Sequence[Path], cases: Sequence[tuple[int, Sequence[str]]]
) -> list[list[dict[str, Any]]]:
    """Return for each seed and defects what the unit does not keep of its profile, as the model itself knows it.

    Each entry has `promise`, `place` and `ratio` (how many times the limit; None: there or not). Raises UsageError.
    """
    lines = "".join(f"{seed} {'; '.join(defects)}\n" for seed, defects in cases)
    reported = _asked("--oracle", stand, unit, defect_files, lines, timeout=None)
    return [json.loads(line) for line in reported.splitlines()]


def _asked(
    word: str,
    stand: Path,
    unit: Path,
    defect_files: Sequence[Path],
    lines: str = "",
    *,
    timeout: float | None = START_DEADLINE,
) -> str:
    """Return what the simulator's process answers to a question that needs no server."""
    line = [sys.executable, "-P", "-m", "hilseq_sim", word, "--stand", str(stand), "--unit", str(unit)]
    for file in defect_files:
        line += ["--defects", str(file)]
    try:
        done = subprocess.run(line, input=lines, capture_output=True, text=True, check=False, timeout=timeout)
    except subprocess.TimeoutExpired:
        raise StandFault(
            f"the simulator did not answer within {timeout:g} s; is this computer busy? Try again"
        ) from None
    if done.returncode != 0:
        raise UsageError(done.stderr.strip())
    return done.stdout


def repoint(stand: Stand, endpoints: Mapping[str, str]) -> Stand:
    """Return the stand with every address replaced by the twin's.

    `endpoints` maps `supply NAME`, `io NAME`, `link SLOT`, `port SLOT/NAME` and `clock` to addresses.
    """

    def moved(model: Any, key: str, *names: str) -> Any:
        address = endpoints[key]
        name = next(name for name in names if getattr(model, name) is not None)
        return model.model_copy(update={name: address})

    stand = served_by_twin(stand)
    slots = {}
    for slot_name, slot in stand.slots.items():
        ports = {
            name: moved(port, f"port {slot_name}/{name}", "resource") for name, port in slot.ports.items()
        }
        link = moved(slot.link, f"link {slot_name}", "address", "port")
        slots[slot_name] = slot.model_copy(update={"link": link, "ports": ports})
    return stand.model_copy(
        update={
            "network": None,
            "simulated": True,
            "simulated_clock": endpoints.get("clock"),
            "supplies": {
                name: moved(supply, f"supply {name}", "resource") for name, supply in stand.supplies.items()
            },
            "io": {name: moved(io, f"io {name}", "address", "port") for name, io in stand.io.items()},
            "slots": slots,
        }
    )


def read_endpoints(file: Path) -> dict[str, str]:
    """Return the addresses of a twin that serves several visits. Raises UsageError."""
    try:
        return {str(key): str(value) for key, value in json.loads(file.read_text("utf-8")).items()}
    except (OSError, ValueError, AttributeError, RecursionError) as error:
        raise UsageError(f"--twin {file}: there are no addresses of a twin in it ({error})") from None


def write_pointing_stand(stand: Path, endpoints: Mapping[str, str], target: Path, *, stepped: bool) -> None:
    """Write a copy of the stand file whose addresses are the twin's, for other processes to use.

    The copy loses comments, and its ranges are written out; everything else is as written.
    """
    import yaml

    document = written_out(stand)
    document.pop("network", None)
    document["simulated"] = True
    if stepped:
        document["simulated-clock"] = endpoints["clock"]
    for name, supply in document["supplies"].items():
        supply["resource"] = endpoints[f"supply {name}"]
    devices, signals = document.get("io", {}), document.get("signals", {})
    for name in [name for name in devices if f"io {name}" not in endpoints]:  # `optional`, and not served
        del devices[name]
        document["signals"] = signals = {key: one for key, one in signals.items() if one["io"] != name}
    for name, io in devices.items():
        io["address" if "address" in io else "port"] = endpoints[f"io {name}"]
    for name, slot in document["slots"].items():
        link = slot["link"]
        link["address" if "address" in link else "port"] = endpoints[f"link {name}"]
        for port, wiring in slot.get("ports", {}).items():
            wiring["resource"] = endpoints[f"port {name}/{port}"]

    class Dumper(yaml.SafeDumper):
        def ignore_aliases(self, _data: Any) -> bool:
            return True  # a stand file has none: a date that holds for a whole range is written out

    text = yaml.dump(document, Dumper=Dumper, sort_keys=False, allow_unicode=True)
    target.write_text(text, encoding="utf-8")


#: Sockets to processes that have imported the simulator and wait for a command line (`prepared`).
_prepared: list[socket.socket] = []


@contextmanager
def prepared() -> Iterator[None]:
    """Have a process ready that the next twin of this process, or of one forked from it, becomes.

    Most of a twin's start is importing; a campaign has that done once, by the fork server of the standard library.
    On a system without one, and for every further twin, nothing changes.
    """
    if "forkserver" not in multiprocessing.get_all_start_methods():
        yield
        return
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["__main__", "hilseq_sim.__main__", "hilseq_sim.world.build"])
    ours, theirs = socket.socketpair()
    process = context.Process(target=_await_command_line, args=(theirs,))
    process.start()
    theirs.close()
    _prepared.append(ours)
    try:
        yield
    finally:
        if ours in _prepared:
            _prepared.remove(ours)
        ours.close()
        process.join(STOP_DEADLINE)
        if process.is_alive():
            process.kill()
            process.join()


def _await_command_line(connection: socket.socket) -> None:
    """Be the twin whose command line comes; from then on the connection is its standard input, output and errors."""
    with connection, connection.makefile("rb") as lines:
        line = lines.readline()
        for stream in range(3):
            os.dup2(connection.fileno(), stream)
    sys.stdin, sys.stdout, sys.stderr = (os.fdopen(n, "r" if n == 0 else "w") for n in range(3))
    if line:
        importlib.import_module("hilseq_sim.__main__").main(json.loads(line))
        sys.stdout.flush()
        sys.stderr.flush()


class Twin:
    """A running twin. Ends when it is closed, or when this process dies (its standard input ends)."""

    def __init__(
        self,
        stand: Path,
        units: Mapping[str, Path],
        *,
        serials: Mapping[str, str],
        seed: int = 0,
        defects: Sequence[str] = (),
        clock: str = "stepped",
        real_timing: bool = False,
        defect_files: Sequence[Path] = (),
    ) -> None:
        line = command(
            stand,
            units,
            serials=serials,
            seed=seed,
            defects=defects,
            clock=clock,
            real_timing=real_timing,
            defect_files=defect_files,
        )
        line.append(_PIPE)
        self._process: subprocess.Popen[bytes] | None = None
        self._connection: socket.socket | None = None
        if _prepared:
            self._connection = _prepared.pop()
            try:
                self._connection.sendall(
                    json.dumps(line[line.index("hilseq_sim") + 1 :]).encode("ascii") + b"\n"
                )
            except OSError as error:
                self._connection.close()
                raise StandFault(
                    f"the simulated stand did not start: its process has gone ({error})"
                ) from error
            self._output = self._connection.fileno()
            return
        self._process = subprocess.Popen(
            line,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            start_new_session=True,  # Ctrl-C at the terminal is for the run, which still has to make it safe
        )
        assert self._process.stdout is not None
        self._output = self._process.stdout.fileno()

    @cached_property
    def endpoints(self) -> dict[str, str]:
        """The addresses of its servers, by `supply NAME` and the like; waits until all of them listen.

        Raises UsageError when it was asked for something impossible, StandFault when it does not start.
        """
        said = b""
        until = time.monotonic() + START_DEADLINE
        while select.select([self._output], [], [], max(0.0, until - time.monotonic()))[0]:
            piece = os.read(self._output, 65536)
            said += piece
            for line in said.splitlines(keepends=True):
                if line.startswith(b"{") and line.endswith(b"\n"):
                    return {str(key): str(value) for key, value in json.loads(line)["endpoints"].items()}
            if not piece:
                words = said.decode("utf-8", "replace").strip()
                if words.startswith(_REFUSES):
                    raise UsageError(words)
                raise StandFault(
                    f"the simulated stand did not start: {words or 'it ended without a message'}"
                )
        self.close()
        raise StandFault(f"the simulated stand did not start within {START_DEADLINE:g} s")

    def wait(self, timeout: float | None = None) -> bool:
        """Wait until the twin ends by itself; return whether it has within `timeout` s."""
        try:
            while select.select([self._output], [], [], timeout)[0]:
                if not os.read(self._output, 65536):
                    return True
        except ConnectionError:
            return True
        return False

    def close(self) -> None:
        """End the twin; at once when it does not end by itself. A prepared one is ended by who prepared it."""
        if self._connection is not None:
            with suppress(OSError):
                self._connection.shutdown(socket.SHUT_WR)
                self.wait(STOP_DEADLINE)
            self._connection.close()
        elif (
            self._process is not None and self._process.stdin is not None and self._process.stdout is not None
        ):
            with suppress(OSError):
                self._process.stdin.close()
            if not self._process.stdout.closed and not self.wait(STOP_DEADLINE):
                self._process.kill()
            self._process.stdout.close()
            self._process.wait()
