"""The foreign rig: devices that nobody here wrote the protocol stack of, behind cables that can be pulled.

A supply in C that speaks SCPI-1999 as we read it, a unit in C on libmodbus, an I/O simulator on pyModbusTCP; each a
process of its own, wired through a shared file (`world.h`). Each is reached over a `Cable`.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable, Iterator, MutableSequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.end_to_end.conftest import visit
from tests.foreign.cable import Cable
from tests.foreign.rack import WIRES, world

__all__ = ["visit"]
HERE = Path(__file__).parent
STAND, UNIT = (
    (HERE / "stand.yaml").read_text(encoding="utf-8"),
    (HERE / "unit.yaml").read_text(encoding="utf-8"),
)


@dataclass
class Rig:
    """A rig that runs: its cables, and the two files that describe it."""

    supply: Cable
    io: Cable
    link: Cable
    folder: Path
    cells: MutableSequence[float]

    @property
    def stand(self) -> Path:
        """The stand file."""
        return self.folder / "stand.yaml"

    @property
    def unit(self) -> Path:
        """The profile."""
        return self.folder / "unit.yaml"

    def wire(self, name: str) -> float:
        """Return what a wire carries."""
        return float(self.cells[WIRES.index(name)])


StartRig = Callable[..., Rig]


@pytest.fixture(scope="session")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder with supply and unit, made of their sources."""
    folder = tmp_path_factory.mktemp("foreign")
    done = subprocess.run(
        ["make", "-s", "-C", str(HERE), f"OUT={folder}"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return folder


@pytest.fixture
def rig(built: Path, tmp_path: Path) -> Iterator[StartRig]:
    """Start a rig: `rig(unit=["--fault", "stuck-off"], scan=20)`, with another stand file or profile if given."""
    with ExitStack() as things:

        def start(
            *,
            supply: tuple[str, ...] = (),
            unit: tuple[str, ...] = (),
            io: tuple[str, ...] = (),
            scan: float = 5.0,
            lamp_lag: float = 0.0,
            seed: int = 0,
            stand: str = STAND,
            profile: str = UNIT,
        ) -> Rig:
            wires = tmp_path / "wires"
            wires.write_bytes(bytes(8 * len(WIRES)))
            cells = world(wires)
            for line in (
                [str(built / "supply"), str(wires), *supply],
                [str(built / "unit"), str(wires), *unit],
                [sys.executable, str(HERE / "rack.py"), str(wires), str(scan), str(lamp_lag), str(seed), *io],
            ):
                process = subprocess.Popen(line)
                things.callback(process.wait, 10)
                things.callback(process.kill)
            cables = {
                name: things.enter_context(Cable(listening(cells, wire)))
                for name, wire in {"supply": "SUPPLY_PORT", "io": "IO_PORT", "link": "UNIT_PORT"}.items()
            }
            made = Rig(**cables, folder=tmp_path, cells=cells)
            numbers = {name: cable.port for name, cable in cables.items()}
            made.stand.write_text(stand.format(**numbers), encoding="utf-8")
            made.unit.write_text(profile, encoding="utf-8")
            return made

        yield start


def listening(cells: MutableSequence[float], name: str) -> int:
    """Return the port of a device as soon as it listens; the time limit of the test bounds the wait."""
    while not cells[WIRES.index(name)]:
        time.sleep(0.01)
    return int(cells[WIRES.index(name)])
