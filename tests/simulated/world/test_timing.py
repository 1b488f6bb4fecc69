"""Instruments that take their time: snapshots, sensors that lag, filters; the same for whoever asks."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import pytest
from hilseq_sim.world.build import World, build_world
from hilseq_sim.world.timing import Scan

from hilseq.description.registers import RegisterTable
from hilseq.description.simulated import modbus_signals
from hilseq.description.twin import StandTwin
from hilseq.description.visit import Visit


def _timed(visit: Visit, **settings: object) -> World:
    stand = visit.stand.model_copy(update={"twin": StandTwin.model_validate(settings)})
    world = build_world(dataclasses.replace(visit, stand=stand), seed=3)
    world.advance(1.0)
    return world


def _bit(world: World, signal: str) -> int:
    return world.io["rack"].read(
        RegisterTable.DISCRETE_INPUT, modbus_signals(world.stand)[signal].address, 1
    )[0]


def _drive(world: World, signal: str, value: int) -> None:
    world.io["rack"].write(RegisterTable.COIL, modbus_signals(world.stand)[signal].address, [value])


@pytest.mark.parametrize("jitter", [0.0, 0.2])
def test_scans_come_in_order_within_their_jitter(jitter: float) -> None:
    """The last scan is never later than now, and never older than a period and twice the jitter."""
    scan = Scan("rack", 5, 0.02, jitter)
    numbers = []
    for tick in range(4000):
        number, instant = scan.latest(0.0007 * tick)
        assert 0.0 <= 0.0007 * tick - instant <= scan.longest
        numbers.append(number)
    assert numbers == sorted(numbers)
    assert numbers[-1] - numbers[0] == pytest.approx(4000 * 0.0007 / 0.02, abs=2)


def test_a_loop_back_follows_with_the_next_scan(visit: Visit) -> None:
    """A drive arrives at its terminal after its travel; what is read follows it at the next scan and not before."""
    world = _timed(visit, **{"scan-time": "50 ms", "scan-jitter": 0.0})
    late = []
    for turn in range(40):
        value = 1 - turn % 2
        world.advance(0.2 + 0.0137 * turn)
        _drive(world, "loop-out", value)
        begun = world.time
        while _bit(world, "loop-in") != value:
            world.advance(0.0005)
        late.append(world.time - begun)
    travel = 0.25 * modbus_signals(world.stand)["loop-out"].settle
    assert travel <= min(late) < travel + 0.01, "once just before a scan"
    assert travel + 0.04 < max(late) <= travel + 0.051, "once just after one"


def test_within_a_scan_every_read_is_the_same_whoever_asks(visit: Visit) -> None:
    """Noise belongs to the snapshot: asked twice, or by another order of readers, it is the same to the last bit."""
    worlds = [_timed(visit, **{"scan-time": "20 ms"}) for _ in range(2)]
    supply = modbus_signals(worlds[0].stand)["v01"]
    for world in worlds:
        world.supplies["main"].set_voltage = 24.0
        world.supplies["main"].output = True
        world.advance(5.0)
    worlds[1].io["rack"].read(supply.table, supply.address, 16)
    rows: tuple[list[list[int]], list[list[int]]] = ([], [])
    for _ in range(20):
        for world, kept in zip(worlds, rows, strict=True):
            first = world.io["rack"].read(supply.table, supply.address, 16)
            assert first == world.io["rack"].read(supply.table, supply.address, 16)
            kept.append(first)
            world.advance(0.031)
    assert rows[0] == rows[1]
    assert any(one != other for one, other in zip(rows[0], rows[0][1:], strict=False)), "there is noise"


def test_the_lamp_sensor_shows_the_lamp_later(visit: Visit) -> None:
    """The unit says that it is ready; its lamp is seen only after the lag of the sensor."""
    world = _timed(visit, **{"scan-time": "0 ms"})
    world.supplies["main"].set_voltage = 24.0
    world.supplies["main"].output = True
    unit = world.units["A"]
    while not unit.healthy_lamp():
        world.advance(0.001)
    shines = world.time
    assert not _bit(world, "lamp-green")
    while not _bit(world, "lamp-green"):
        world.advance(0.001)
    assert world.time - shines == pytest.approx(visit.stand.signals["lamp-green"].lag, abs=0.003)


def test_a_filter_rounds_a_step_off(visit: Visit) -> None:
    """Half of a step is seen after tau ln 2, where tau is a fourteenth of the lag."""
    world = _timed(visit, lag="140 ms", **{"scan-time": "0 ms"})
    signal = modbus_signals(world.stand)["bai1"]
    drive = modbus_signals(world.stand)["ai1"]
    world.io["rack"].write(drive.table, drive.address, [20000])
    world.advance(0.25 * drive.settle)
    begun = world.time
    full = 0.0
    while full < 10000:
        world.advance(0.0001)
        (full,) = world.io["rack"].read(signal.table, signal.address, 1)
    assert world.time - begun == pytest.approx(0.010 * math.log(2), abs=5e-4)


def test_cutting_time_differently_changes_nothing(visit: Visit) -> None:
    """An advance in one step or in many: the same snapshots."""
    settings = {"scan-time": "35 ms", "lag": "80 ms"}
    one, other = _timed(visit, **settings), _timed(visit, **settings)
    for world in (one, other):
        world.supplies["main"].set_voltage = 24.0
        world.supplies["main"].output = True
    for _ in range(60):
        one.advance(0.07)
        for _ in range(7):
            other.advance(0.01)
        for table, count in ((RegisterTable.DISCRETE_INPUT, 39), (RegisterTable.INPUT_REGISTER, 24)):
            assert one.io["rack"].read(table, 0, count) == other.io["rack"].read(table, 0, count)


def test_drawn_timing_fits_the_stand_and_follows_the_seed(visit: Visit) -> None:
    """Scans of 5 to 50 ms where a loop-back can tell; the same seed draws the same."""
    worlds = [build_world(visit, seed=seed, timing="drawn") for seed in (1, 1, 2)]
    assert worlds[0].timing == worlds[1].timing != worlds[2].timing
    for world in worlds:
        (period, jitter) = world.timing.scans["rack"]
        assert 0.005 <= period * (1 + 2 * jitter) <= 0.05
        assert all(low <= high for low, high in world.timing.answers.values())
        ports = [times for name, times in world.timing.answers.items() if name.startswith("port A/")]
        assert len(ports) == len(world.ports)
        assert all(0.0 < low < high <= 0.02 for low, high in ports)


def test_ideal_instruments_take_no_time(visit: Visit, tmp_path: Path) -> None:
    """Without a word for it nothing is late."""
    del tmp_path
    world = build_world(visit, seed=1)
    assert not world.timing.scans
    assert world.timeline.memory == 0.0
