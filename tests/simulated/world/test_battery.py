"""The memory battery: a flat plateau, a fast end, and a life of years."""

from __future__ import annotations

import pytest
from hilseq_sim.world.memory import Battery, cell_voltage
from hilseq_sim.world.timeline import Timeline

from .conftest import MakeWorld, ready

YEAR = 365.25 * 86400.0


@pytest.mark.parametrize(
    ("charge", "share"),
    [(1.0, 1.0), (0.5, 0.97), (0.15, 0.949), (0.075, 0.5 * 0.9445), (0.0, 0.0), (-0.1, 0.0)],
)
def test_a_lithium_cell_holds_its_voltage_and_then_falls(charge: float, share: float) -> None:
    """Little is lost down to 15 % of the charge, everything after it (common practice, check value 10.1)."""
    assert cell_voltage(3.0, charge) == pytest.approx(3.0 * share)


def test_a_cell_that_carries_the_memory_lasts_its_life() -> None:
    """Half of it after half its life; beside a powered unit it lasts twice as long."""
    timeline = Timeline()
    carrying, resting = (Battery(timeline, new=3.0, nominal=3.0, charge=1.0, years=5.0) for _ in range(2))
    resting.carry(carries=False)
    timeline.advance(2.5 * YEAR)
    assert [carrying.charge(), resting.charge()] == pytest.approx([0.5, 0.75])
    timeline.advance(2.0 * YEAR)
    assert carrying.retains()
    timeline.advance(0.5 * YEAR)
    assert (carrying.volts(), carrying.retains()) == (0.0, False)
    carrying.open = 1
    assert not carrying.retains()


@pytest.mark.parametrize(("begins", "lost"), [(8.0, True), (2.0, False)])
def test_a_contact_that_opens_for_a_moment_without_supply_loses_the_memory(
    make_world: MakeWorld, begins: float, lost: bool
) -> None:
    """With the supply on it loses nothing; without, the moment is enough, though the battery is back by the end."""
    world = ready(make_world(f"battery-open@battery,after={begins}s,for=1s"))
    unit, supply = world.units["A"], world.supplies["main"]
    before = unit.clock.now()
    supply.output = False
    world.advance(2.0)
    assert not unit.input.powered
    world.advance(8.0)
    ready(world)
    assert (unit.clock.now() < before) == lost
    supply.output = False
    world.advance(10.0)
    ready(world)
    assert unit.clock.now() > 10.0, "once is once"
