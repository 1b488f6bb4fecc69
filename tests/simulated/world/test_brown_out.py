"""A supply that fails under a running unit, reported from one that is switched off."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hilseq_sim.world.build import World, build_world
from hilseq_sim.world.feeding import hold_up

from hilseq.description.visit import Visit

from .conftest import MakeWorld, ready


def _stored(world: World) -> list[tuple[int, int]]:
    """Code and time of what is stored, oldest first."""
    faults = world.units["A"].faults
    assert faults is not None
    return [(code, time) for code, _, time in faults._records]


@pytest.mark.parametrize("seed", range(4))
def test_a_brown_out_is_stored_with_its_time(make_world: MakeWorld, seed: int) -> None:
    """A supply that sags under the running unit is fault 0x31 of the profile; so is a limit that starves it."""
    world = ready(make_world(seed=seed))
    unit, supply = world.units["A"], world.supplies["main"]
    for sags, back in (
        ({"set_voltage": 12.0}, {"set_voltage": 24.0}),
        ({"set_current": 0.02}, {"set_current": 1.5}),
    ):
        before = _stored(world)
        for knob, value in sags.items():
            setattr(supply, knob, value)
        while unit.input.powered:
            world.advance(1e-3)
        lost = unit.clock.now()
        for knob, value in back.items():
            setattr(supply, knob, value)
        world.advance(5.0)
        assert _stored(world) == [*before, (0x31, int(lost))]


@pytest.mark.parametrize("seed", range(4))
def test_switching_off_and_interruptions_are_no_brown_out(make_world: MakeWorld, seed: int) -> None:
    """Nor is a supply set to nothing, and one that never lets the program run."""
    world = ready(make_world(seed=seed))
    unit, supply = world.units["A"], world.supplies["main"]
    before = _stored(world)
    for off in (3.0, 0.2, 0.05):
        supply.output = False
        world.advance(off)
        supply.output = True
        world.advance(5.0)
    supply.set_voltage = 0.0
    world.advance(3.0)
    assert not unit.input.powered
    supply.set_current, supply.set_voltage = 0.05, 24.0
    starts = unit.start.starts
    world.advance(3.0)
    assert unit.start.starts > starts + 1, "it hiccups before its program runs"
    assert _stored(world) == before


@pytest.mark.parametrize("seed", range(4))
def test_an_interruption_just_too_long_is_no_brown_out(make_world: MakeWorld, seed: int) -> None:
    """The supply is back at half its voltage when the capacitor falls below the lockout; the unit starts anew."""
    world = ready(make_world(seed=seed))
    unit, supply = world.units["A"], world.supplies["main"]
    before, lost = _stored(world), 0
    longest = hold_up(unit.input.capacitance, unit.load(), unit.input.volts(), unit.input.stop_below)
    for number in range(1, 9):  # the supply is back in a few milliseconds
        supply.output = False
        world.advance(longest - 2e-4 * number)
        assert unit.input.powered
        supply.output = True
        starts = unit.start.starts
        world.advance(5.0)
        lost += unit.start.starts - starts
    assert lost >= 2, "some were too long, though the supply was on again in time"
    assert _stored(world) == before


def test_a_profile_without_a_code_for_it_stores_no_brown_out(visit: Visit) -> None:
    """No other code is stored in its place."""
    profile = visit.profiles["A"]
    assert profile.faults is not None
    codes = {code: meant for code, meant in profile.faults.codes.items() if code != 0x31}
    other = profile.model_copy(update={"faults": profile.faults.model_copy(update={"codes": codes})})
    world = ready(build_world(replace(visit, profiles={"A": other}), seed=1))
    before = _stored(world)
    world.supplies["main"].set_voltage = 12.0
    world.advance(3.0)
    assert not world.units["A"].input.powered
    assert _stored(world) == before
