"""Worlds to try: the shipped bench, a plain controller, and a bench small enough to read here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from hilseq_sim.world.build import World, build_world

from hilseq.description.profile import Profile
from hilseq.description.stand import Stand
from hilseq.description.visit import Visit, describe_visit

STANDS = Path(__file__).parents[3] / "stands"

MINIMAL_STAND = {
    "stand": "small-bench",
    "supplies": {
        "main": {
            "resource": "TCPIP::192.0.2.1::5025::SOCKET",
            "ceilings": {"voltage": "15 V", "current": "2 A"},
        }
    },
    "io": {"rack": {"address": "192.0.2.2:502", "max-gap": 0}},
    "signals": {"y1": {"io": "rack", "table": "discrete input", "address": 0, "senses": "A.y1"}},
    "slots": {"A": {"supply": "main", "link": {"address": "192.0.2.3:502"}}},
}  # fmt: skip
MINIMAL_PROFILE = {
    "part": "TINY",
    "ratings": {
        "supply": "12 V",
        "supply-range": "10..14 V",
        "absolute-maximum": "15 V",
        "current-limit": "1 A",
    },
    "start": {"ready-within": "1 s", "idle-current": "20..40 mA"},
    "link": {
        "mode": {"table": "input register", "address": 0, "values": {"stopped": 0, "live": 1}},
        "mode-command": {"table": "holding register", "address": 0, "values": {"stopped": 0, "live": 1}},
    },
    "points": {"outputs": {"y1": {"command": {"table": "coil", "address": 0}}}},
}  # fmt: skip


@dataclass(frozen=True)
class SmallVisit:
    """A stand and its profiles, made without files."""

    stand: Stand
    profiles: dict[str, Profile]


@pytest.fixture(scope="session")
def visit() -> Visit:
    """Return the shipped bench with the remote-I/O head."""
    return describe_visit(STANDS / "sim-bench.yaml", {"A": STANDS / "units" / "rh16.yaml"})


@pytest.fixture(scope="session")
def small_visit() -> SmallVisit:
    """Return a bench with one output and nothing else: 12 V, mode by register, no switch, no battery."""
    return SmallVisit(Stand.model_validate(MINIMAL_STAND), {"A": Profile.model_validate(MINIMAL_PROFILE)})


MakeWorld = Callable[..., World]


@pytest.fixture
def make_world(visit: Visit) -> MakeWorld:
    """Return a maker of worlds on the shipped bench."""

    def make(*defects: str, seed: int = 0, serial: str = "SN0042") -> World:
        return build_world(visit, seed=seed, serials={"A": serial}, defects=defects)

    return make


def power(world: World, volts: float | None = None, limit: float | None = None) -> None:
    """Switch the first supply on, at rated supply by default."""
    ratings = next(iter(world.profiles.values())).ratings
    supply = next(iter(world.supply_models.values()))
    supply.set_voltage = ratings.supply if volts is None else volts
    supply.set_current = ratings.current_limit if limit is None else limit
    supply.output = True


def ready(world: World) -> World:
    """Power the world and wait until the unit is ready."""
    power(world)
    world.advance(5.0)
    return world
