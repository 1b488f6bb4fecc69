"""Starting the simulated twin of a stand, and pointing the stand description at it.

The twin is a separate process (`python -m hilseq_sim`), reached only through SCPI, Modbus and serial
lines as real hardware would be. Below this file nothing knows that a stand is simulated, but for its clock.
"""

from __future__ import annotations

import json
import select
import subprocess
import sys
from collections.abc import Mapping, Sequence
from contextlib import suppress
from functools import cached_property
from pathlib import Path
from typing import Any

from hilseq import twin_pool
from hilseq.description.stand import Stand
from hilseq.errors import StandFault, UsageError

#: Longest wall time until every server of the twin listens.
START_DEADLINE = 30.0
STOP_DEADLINE = 5.0
#: Exit code of a twin that was asked for something impossible.
_BAD_INPUT = 2
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
) -> list[str]:
    """Return the command line that serves the twin."""
    line = [sys.executable, "-m", "hilseq_sim", "--stand", str(stand), "--seed", str(seed), "--clock", clock]
    for slot, path in units.items():
        line += ["--unit", f"{slot}={path}"]
    for slot, serial in serials.items():
        line += ["--serial", f"{slot}={serial}"]
    for defect in defects:
        line += ["--defect", defect]
    return line


def catalogue(stand: Path, unit: Path) -> list[dict[str, Any]]:
    """Return the simulator's defects that make sense for a unit on a stand. Raises UsageError."""
    line = [sys.executable, "-m", "hilseq_sim", "--catalogue", "--stand", str(stand), "--unit", str(unit)]
    done = subprocess.run(line, capture_output=True, check=False, timeout=START_DEADLINE)
    if done.returncode != 0:
        raise UsageError(done.stderr.decode("utf-8", "replace").strip())
    rows: list[dict[str, Any]] = json.loads(done.stdout)
    return rows


def repoint(stand: Stand, endpoints: Mapping[str, str]) -> Stand:
    """Return the stand with every address replaced by the twin's.

    `endpoints` maps `supply NAME`, `io NAME`, `link SLOT`, `port SLOT/NAME` and `clock` to addresses.
    """

    def moved(model: Any, key: str, *names: str) -> Any:
        address = endpoints[key]
        name = next(name for name in names if getattr(model, name) is not None)
        return model.model_copy(update={name: address})

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


def write_pointing_stand(stand: Path, endpoints: Mapping[str, str], target: Path, *, stepped: bool) -> None:
    """Write a copy of the stand file whose addresses are the twin's, for other processes to use.

    The copy loses comments; everything else is as written.
    """
    import yaml

    document = yaml.safe_load(stand.read_text(encoding="utf-8"))
    document.pop("network", None)
    document["simulated"] = True
    if stepped:
        document["simulated-clock"] = endpoints["clock"]
    for name, supply in document["supplies"].items():
        supply["resource"] = endpoints[f"supply {name}"]
    for name, io in document.get("io", {}).items():
        io["address" if "address" in io else "port"] = endpoints[f"io {name}"]
    for name, slot in document["slots"].items():
        link = slot["link"]
        link["address" if "address" in link else "port"] = endpoints[f"link {name}"]
        for port, wiring in slot.get("ports", {}).items():
            wiring["resource"] = endpoints[f"port {name}/{port}"]
    target.write_text(yaml.safe_dump(document, sort_keys=False, allow_unicode=True), encoding="utf-8")


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
    ) -> None:
        line = [*command(stand, units, serials=serials, seed=seed, defects=defects, clock=clock), _PIPE]
        try:
            forked = twin_pool.started(line[3:])
        except OSError as error:
            raise StandFault(
                f"the simulated stand did not start: its twin_pool has gone ({error})"
            ) from error
        self._process = forked or subprocess.Popen(
            line,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            start_new_session=True,  # Ctrl-C at the terminal is for the run, which still has to make it safe
        )

    @cached_property
    def endpoints(self) -> dict[str, str]:
        """The addresses of its servers, by `supply NAME` and the like; waits until all of them listen.

        Raises UsageError when it was asked for something impossible, StandFault when it does not start.
        """
        process = self._process
        assert process.stdout is not None
        ready, _, _ = select.select([process.stdout], [], [], START_DEADLINE)
        line = process.stdout.readline() if ready else b""
        if line:
            return {str(key): str(value) for key, value in json.loads(line)["endpoints"].items()}
        if not ready:
            self.close()
            raise StandFault(f"the simulated stand did not start within {START_DEADLINE:g} s")
        assert process.stderr is not None
        errors = process.stderr.read()
        process.wait(STOP_DEADLINE)
        words = errors.decode("utf-8", "replace").strip() or f"it ended with code {process.returncode}"
        if process.returncode == _BAD_INPUT:
            raise UsageError(words)
        raise StandFault(f"the simulated stand did not start: {words}")

    def wait(self) -> None:
        """Wait until the twin ends by itself."""
        self._process.wait()

    def close(self) -> None:
        """End the twin; at once when it does not end by itself."""
        process = self._process
        if process.stdin is not None:
            with suppress(OSError):
                process.stdin.close()
        try:
            process.wait(STOP_DEADLINE)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(STOP_DEADLINE)
        for stream in (process.stdout, process.stderr):
            if stream is not None:
                stream.close()
