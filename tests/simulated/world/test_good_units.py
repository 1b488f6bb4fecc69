"""A hundred good units differ, and each lies safely inside the limits of its profile."""

from __future__ import annotations

import pytest
from hilseq_sim.views import Trouble
from hilseq_sim.world.build import World, build_world

from hilseq.description.registers import RegisterTable
from hilseq.description.visit import Visit

from .conftest import power

SEEDS = range(100)


@pytest.fixture(scope="module")
def started(visit: Visit) -> list[World]:
    worlds = [build_world(visit, seed=seed, serials={"A": "5"}) for seed in SEEDS]
    for world in worlds:
        power(world)
    return worlds


def _ready_time(world: World) -> float:
    while not (
        world.links["A"].answering() and world.links["A"].read(RegisterTable.INPUT_REGISTER, 10, 1) == [1]
    ):
        world.advance(0.02)
    return world.time


def test_every_good_unit_lies_inside_its_limits(started: list[World]) -> None:
    idle, ready_times, batteries = set(), set(), set()
    for seed, world in zip(SEEDS, started, strict=True):
        profile = world.profiles["A"]
        link, rack, supply = world.links["A"], world.io["rack"], world.supplies["main"]
        start, margin = profile.start, 0.003
        ready_times.add(_ready_time(world))
        assert world.time < 0.85 * start.ready_within
        amperes = supply.measure_current()
        idle.add(round(amperes, 5))
        assert start.idle_current.low + margin < amperes < start.idle_current.high - margin, seed
        assert abs(supply.measure_voltage() - 24.0) < 24.0 * 0.0005 + 0.005, seed
        assert link.read(RegisterTable.INPUT_REGISTER, 1, 2) == [1, 0], seed
        battery = link.read(RegisterTable.INPUT_REGISTER, 9, 1)[0] / 1000
        batteries.add(battery)
        assert profile.battery is not None
        assert battery > profile.battery.lowest + 0.1, seed

        rack.write(RegisterTable.COIL, 18, [1])
        since = world.time
        while link.read(RegisterTable.INPUT_REGISTER, 0, 1) != [2]:
            world.advance(0.005)
        assert world.time - since < 0.6 * profile.modes.change_within, seed
        assert start.live_current is not None
        assert (
            start.live_current.low + margin < supply.measure_current() < start.live_current.high - margin
        ), seed

        link.write(RegisterTable.COIL, 0, [1] * 16)
        link.write(RegisterTable.HOLDING_REGISTER, 20, [5000, 10000])
        rack.write(RegisterTable.HOLDING_REGISTER, 0, [8000, 16000, 24000, 40000])
        rack.write(RegisterTable.COIL, 0, [1] * 16)
        world.advance(0.3)
        seen = link.read(RegisterTable.INPUT_REGISTER, 20, 4)
        assert seen == pytest.approx([4000, 8000, 12000, 20000], abs=0.88 * 80), seed
        out = [0.5 * raw for raw in rack.read(RegisterTable.INPUT_REGISTER, 18, 2)]
        assert out == pytest.approx([5000, 10000], abs=0.88 * 50), seed
        volts = [raw / 1000 for raw in rack.read(RegisterTable.INPUT_REGISTER, 0, 16)]
        assert all(23.95 - value < 0.6 for value in volts), seed
        assert rack.read(RegisterTable.DISCRETE_INPUT, 0, 16) == [1] * 16, seed
        assert link.read(RegisterTable.DISCRETE_INPUT, 0, 16) == [1] * 16, seed
        link.write(RegisterTable.COIL, 0, [0] * 16)
        world.advance(0.05)
        assert rack.read(RegisterTable.DISCRETE_INPUT, 0, 16) == [0] * 16, seed
        assert max(rack.read(RegisterTable.INPUT_REGISTER, 0, 16)) < 100, seed
    assert len(idle) > 90
    assert len(batteries) > 30
    assert len(ready_times) > 5


def test_every_good_unit_survives_corners_interruptions_and_a_warm_day(started: list[World]) -> None:
    for seed, world in zip(SEEDS, started, strict=True):
        profile, link, supply = world.profiles["A"], world.links["A"], world.supplies["main"]
        link.write(RegisterTable.COIL, 0, [1] * 16)
        starts = link.read(RegisterTable.INPUT_REGISTER, 6, 1)
        for volts in (20.4, 28.8, 24.0):
            supply.set_voltage = volts
            world.advance(1.0)
            supply.output = False
            world.advance(0.010)
            supply.output = True
            world.advance(1.0)
            assert link.answering(), (seed, volts)
            assert link.read(RegisterTable.INPUT_REGISTER, 6, 1) == starts, (seed, volts)
        world.advance(10 * 3600.0)
        assert profile.highest_case is not None
        assert world.units["A"].heat.case() < profile.highest_case - 5.0, seed
        assert link.read(RegisterTable.INPUT_REGISTER, 0, 1) == [2], seed
        clock = world.units["A"].clock.drift
        assert profile.clock is not None
        assert abs(clock) < 0.5 * profile.clock.drift, seed
        supply.output = False
        world.advance(2.0)
        assert not link.answering(), (seed, "off-time is surely enough")
        supply.set_voltage, supply.output = 20.4, True
        world.advance(profile.start.ready_within)
        assert link.read(RegisterTable.INPUT_REGISTER, 10, 1) == [1], seed
        assert world.trouble("supply main") == Trouble()


def test_the_same_seed_gives_the_same_readings(visit: Visit) -> None:
    def readings(seed: int) -> list[object]:
        world = build_world(visit, seed=seed, serials={"A": "5"})
        power(world)
        world.advance(5.0)
        supply = world.supplies["main"]
        seen: list[object] = [supply.measure_voltage() for _ in range(5)]
        seen += [supply.measure_current(), world.links["A"].read(RegisterTable.INPUT_REGISTER, 0, 15)]
        return [*seen, world.io["rack"].read(RegisterTable.INPUT_REGISTER, 0, 20)]

    assert readings(3) == readings(3)
    assert readings(3) != readings(4)


def test_noise_is_drawn_per_reading(visit: Visit) -> None:
    world = build_world(visit)
    power(world)
    world.advance(5.0)
    supply = world.supplies["main"]
    assert len({supply.measure_voltage() for _ in range(20)}) == 20
