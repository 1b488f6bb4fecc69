"""The unit through its own link and terminals: start, modes, points, memory, faults, clock, battery."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hilseq_sim.views import ModbusRefusal, crc16
from hilseq_sim.world.build import World, build_world
from hilseq_sim.world.memory import FaultStore

from hilseq.description.registers import RegisterTable
from hilseq.description.visit import describe_visit

from .conftest import MakeWorld, power, ready

CONFIG = 1000


def registers(world: World, address: int, count: int = 1) -> list[int]:
    return world.links["A"].read(RegisterTable.INPUT_REGISTER, address, count)


def switch(world: World, *contacts: int) -> None:
    world.io["rack"].write(RegisterTable.COIL, 16, [int(number in contacts) for number in (1, 2, 3)])
    world.advance(0.5)


def live(world: World) -> World:
    ready(world)
    switch(world, 3)
    return world


def stored(world: World) -> FaultStore:
    faults = world.units["A"].faults
    assert faults is not None
    return faults


def sensed(world: World) -> list[int]:
    return world.io["rack"].read(RegisterTable.DISCRETE_INPUT, 0, 16)


def cycle(world: World, off: float = 3.0) -> None:
    world.supplies["main"].output = False
    world.advance(off)
    ready(world)


def test_the_link_answers_only_with_power_and_is_ready_after_the_self_test(make_world: MakeWorld) -> None:
    world = make_world()
    link = world.links["A"]
    assert not link.answering()
    power(world)
    world.advance(1.5)
    assert link.answering()
    assert registers(world, 10) == [0], "not ready during the self-test"
    world.advance(2.0)
    assert registers(world, 10) == [1]
    assert registers(world, 1) == [1], "healthy"
    world.supplies["main"].output = False
    world.advance(2.0)
    assert not link.answering()


def test_each_power_up_counts_as_a_start(make_world: MakeWorld) -> None:
    world = ready(make_world())
    before = registers(world, 6)[0]
    cycle(world)
    assert registers(world, 6)[0] == before + 1


@pytest.mark.parametrize(("contact", "mode"), [(1, 0), (2, 1), (3, 2)])
def test_a_contact_is_a_mode(make_world: MakeWorld, contact: int, mode: int) -> None:
    world = ready(make_world())
    switch(world, contact)
    assert registers(world, 0) == [mode]
    assert world.links["A"].read(RegisterTable.DISCRETE_INPUT, 100, 1) == [int(mode == 2)]


def test_two_contacts_at_once_or_none_leave_the_mode(make_world: MakeWorld) -> None:
    world = ready(make_world())
    switch(world, 2)
    switch(world, 2, 3)
    assert registers(world, 0) == [1]
    switch(world)
    assert registers(world, 0) == [1]


def test_the_switch_can_be_turned_by_hand(make_world: MakeWorld) -> None:
    world = ready(make_world())
    world.turn_switch("A", "run")
    world.advance(0.5)
    assert registers(world, 0) == [2]
    with pytest.raises(KeyError):
        world.turn_switch("A", "sideways")


def test_the_position_of_the_switch_holds_over_a_power_cycle(make_world: MakeWorld) -> None:
    world = live(make_world())
    cycle(world)
    assert registers(world, 0) == [2]


def test_outputs_follow_only_in_live_mode_and_forget_their_commands_without_power(
    make_world: MakeWorld,
) -> None:
    world = ready(make_world())
    world.links["A"].write(RegisterTable.COIL, 0, [1] * 16)
    for contact in (1, 2):
        switch(world, contact)
        assert sensed(world) == [0] * 16
    switch(world, 3)
    assert sensed(world) == [1] * 16
    cycle(world)
    assert world.links["A"].read(RegisterTable.COIL, 0, 16) == [0] * 16
    assert sensed(world) == [0] * 16


def test_an_output_follows_after_its_delay_and_not_before(make_world: MakeWorld) -> None:
    world = live(make_world())
    world.links["A"].write(RegisterTable.COIL, 4, [1])
    assert sensed(world)[4] == 0
    world.advance(0.05)
    assert sensed(world) == [0, 0, 0, 0, 1, *[0] * 11]


def test_inputs_report_what_the_stand_drives(make_world: MakeWorld) -> None:
    world = ready(make_world())
    pattern = [1, 0, 0, 1, 1, 0, 1, 0] * 2
    world.io["rack"].write(RegisterTable.COIL, 0, pattern)
    world.advance(0.1)
    assert world.links["A"].read(RegisterTable.DISCRETE_INPUT, 0, 16) == pattern


@pytest.mark.parametrize("volts", [21.0, 24.0, 28.0])
def test_an_output_puts_out_what_the_unit_is_fed_with(make_world: MakeWorld, volts: float) -> None:
    """Less the drop of its switch: 0.3 V at most where it is on, some leakage into the load where it is off."""
    world = live(make_world())
    world.supplies["main"].set_voltage = volts
    world.links["A"].write(RegisterTable.COIL, 0, [1, 0])
    world.advance(0.5)
    on, off = (raw * 0.001 for raw in world.io["rack"].read(RegisterTable.INPUT_REGISTER, 0, 2))
    fed = world.units["A"].input.volts()
    assert fed == pytest.approx(volts, abs=0.6)
    assert fed - 0.35 < on < fed + 0.05
    assert off < 1.0
    world.supplies["main"].output = False
    world.advance(3.0)
    assert world.io["rack"].read(RegisterTable.INPUT_REGISTER, 0, 1)[0] < 1000, (
        "without supply nothing is left"
    )


def test_an_output_drives_the_load_that_the_stand_states(tmp_path: Path) -> None:
    """Off, a leak of 1 mA leaves 0.1 V at 100 Ohm; on, the load takes its current through the switch."""
    stands = Path(__file__).parents[3] / "stands"
    text = (stands / "sim-bench.yaml").read_text(encoding="utf-8")
    (tmp_path / "stand.yaml").write_text(text.replace("load: 48 Ohm", "load: 100 Ohm"), encoding="utf-8")
    visit = describe_visit(tmp_path / "stand.yaml", {"A": stands / "units" / "rh16.yaml"})
    world = live(build_world(visit))
    output = world.units["A"].outputs.outputs["q01"]
    output.leakage = 1e-3
    world.refresh()
    world.advance(0.5)
    assert world.io["rack"].read(RegisterTable.INPUT_REGISTER, 0, 1)[0] == pytest.approx(100, abs=6)
    world.links["A"].write(RegisterTable.COIL, 0, [1])
    world.advance(0.5)
    fed, on = (
        world.units["A"].input.volts(),
        world.io["rack"].read(RegisterTable.INPUT_REGISTER, 0, 1)[0] * 0.001,
    )
    assert on == pytest.approx(fed * 100 / (100 + output.resistance), abs=0.03)


def test_analog_channels_carry_currents_and_voltages(make_world: MakeWorld) -> None:
    world = live(make_world())
    world.io["rack"].write(RegisterTable.HOLDING_REGISTER, 0, [8000, 24000, 40000, 45000])
    world.links["A"].write(RegisterTable.HOLDING_REGISTER, 20, [2500, 10000])
    world.advance(0.3)
    # 0.5 % of a range of 16 mA is 80 uA, of 10 V is 50 mV
    assert registers(world, 20, 4) == pytest.approx([4000, 12000, 20000, 22500], abs=91)
    seen = [raw * 0.0005 for raw in world.io["rack"].read(RegisterTable.INPUT_REGISTER, 18, 2)]
    assert seen == pytest.approx([2.5, 10.0], abs=0.055)
    switch(world, 1)
    world.advance(0.3)
    assert max(world.io["rack"].read(RegisterTable.INPUT_REGISTER, 18, 2)) < 20, (
        "analog outputs are off when stopped"
    )


def test_configuration_is_written_stored_and_kept(make_world: MakeWorld) -> None:
    world = ready(make_world())
    link = world.links["A"]
    profile = world.profiles["A"].configuration
    assert profile is not None
    content = list(profile.content)
    assert link.read(RegisterTable.HOLDING_REGISTER, CONFIG, 32) != content, "it comes with somebody else's"
    link.write(RegisterTable.HOLDING_REGISTER, CONFIG, content)
    assert link.read(RegisterTable.HOLDING_REGISTER, CONFIG, 32) == content
    cycle(world)
    assert link.read(RegisterTable.HOLDING_REGISTER, CONFIG, 32) != content, "what is not stored is lost"
    link.write(RegisterTable.HOLDING_REGISTER, CONFIG, content)
    link.write(RegisterTable.COIL, 101, [1])
    world.advance(0.3)
    cycle(world)
    assert link.read(RegisterTable.HOLDING_REGISTER, CONFIG, 32) == content
    words = b"".join(word.to_bytes(2, "big") for word in content)
    assert registers(world, 11) == [crc16(words)]


def test_power_lost_while_storing_keeps_the_old_configuration(make_world: MakeWorld) -> None:
    world = ready(make_world())
    link = world.links["A"]
    old = link.read(RegisterTable.HOLDING_REGISTER, CONFIG, 32)
    link.write(RegisterTable.HOLDING_REGISTER, CONFIG, [0] * 32)
    link.write(RegisterTable.COIL, 101, [1])
    world.advance(0.01)
    cycle(world)
    assert link.read(RegisterTable.HOLDING_REGISTER, CONFIG, 32) == old


@pytest.mark.parametrize(
    ("table", "address", "values", "code"),
    [
        (RegisterTable.HOLDING_REGISTER, 5, [1], 2),
        (RegisterTable.HOLDING_REGISTER, CONFIG + 31, [1, 2], 2),
        (RegisterTable.COIL, 99, [1], 2),
        (RegisterTable.COIL, 15, [1, 1], 2),
    ],
)
def test_writes_where_nothing_is_are_refused(
    make_world: MakeWorld, table: RegisterTable, address: int, values: list[int], code: int
) -> None:
    world = ready(make_world())
    with pytest.raises(ModbusRefusal) as refusal:
        world.links["A"].write(table, address, values)
    assert refusal.value.code == code


def test_configuration_is_refused_outside_the_mode_to_load_it_in(make_world: MakeWorld) -> None:
    world = live(make_world())
    with pytest.raises(ModbusRefusal) as refusal:
        world.links["A"].write(RegisterTable.HOLDING_REGISTER, CONFIG, [1])
    assert refusal.value.code == 4


def test_the_edges_of_what_can_be_read(make_world: MakeWorld) -> None:
    # after the worked case of check value 2.23: the last addresses that are there, and one beyond
    world = ready(make_world())
    link = world.links["A"]
    assert len(link.read(RegisterTable.HOLDING_REGISTER, CONFIG + 28, 4)) == 4
    with pytest.raises(ModbusRefusal) as refusal:
        link.read(RegisterTable.HOLDING_REGISTER, CONFIG + 28, 5)
    assert refusal.value.code == 2


def test_stored_faults_are_read_and_cleared(make_world: MakeWorld) -> None:
    worlds = (make_world(seed=seed) for seed in range(20))
    world = ready(next(world for world in worlds if stored(world).count))
    count = registers(world, 3)[0]
    assert count > 0
    words = registers(world, 100, 64)
    records = [words[start : start + 4] for start in range(0, 64, 4)]
    assert [record[0] != 0 for record in records] == [True] * count + [False] * (16 - count)
    times = [record[2] << 16 | record[3] for record in records[:count]]
    assert times == sorted(times)
    world.links["A"].write(RegisterTable.COIL, 100, [1])
    assert registers(world, 3) == [0]
    assert registers(world, 100, 64) == [0] * 64
    cycle(world)
    assert registers(world, 3) == [0]


def test_the_fault_table_is_a_ring(make_world: MakeWorld) -> None:
    world = ready(make_world())
    faults = stored(world)
    for number in range(20):
        faults.store_code(0x100 + number, 0, 1000.0 + number)
    assert faults.count == 16
    assert faults.codes == [0x104 + index for index in range(16)]


def test_some_units_come_with_stored_faults_and_some_without(make_world: MakeWorld) -> None:
    counts = [stored(make_world(seed=seed)).count for seed in range(30)]
    assert 0 in counts
    assert max(counts) > 2


def test_the_clock_goes_on_without_supply(make_world: MakeWorld) -> None:
    world = ready(make_world())
    before = world.units["A"].clock.now()
    cycle(world, off=100.0)
    assert world.units["A"].clock.now() - before == pytest.approx(105.0, rel=100e-6)


def test_identity_is_that_of_profile_and_label(make_world: MakeWorld) -> None:
    world = ready(make_world(serial="SN0042"))
    link = world.links["A"]
    assert link.identification() == {0: b"Lindqvarn", 1: b"RH16", 2: b"2.4"}
    assert registers(world, 16, 2) == [0, 42]
    assert registers(world, 12, 3) == [11, 12, 21]
    assert link.loopback()


def test_a_hung_processor_is_reset_by_its_watchdog(make_world: MakeWorld) -> None:
    world = ready(make_world("processor-resets@start,after=10s,for=0.5s"))
    starts = registers(world, 6)[0]
    world.advance(5.2)
    assert not world.links["A"].answering()
    world.advance(5.0)
    assert registers(world, 6)[0] == starts, "a stop shorter than the watchdog's time passes"
    world = ready(make_world("processor-resets@start,after=10s,for=1.5s"))
    world.advance(10.0)
    assert registers(world, 6)[0] == starts + 1
    assert 0x71 in stored(world).codes


def test_the_case_warms_up_exponentially_and_the_cover_hinders_it(make_world: MakeWorld) -> None:
    world = live(make_world())
    unit = world.units["A"]
    start = unit.heat.case()
    assert start == pytest.approx(world.ambient, abs=0.1)
    final = unit.heat.course(1e7)
    tau = unit.parts.thermal_time
    # the unit's own node after one time constant (check value 9.4), the neighbours' after two thirds of one
    world.advance(tau)
    own, others = unit.heat._own.target, unit.heat._others.target
    expected = world.ambient + own * (1 - math.exp(-1)) + others * (1 - math.exp(-1 / 1.5))
    assert unit.heat.case() == pytest.approx(expected, abs=0.05)
    assert final - world.ambient == pytest.approx(own + others)
    unit.heat.cover_open += 1
    unit.heat.refresh()
    assert unit.heat.course(1e7) - world.ambient == pytest.approx((own + others) / 1.2)


def test_a_short_interruption_is_ridden_through_and_a_long_one_restarts(make_world: MakeWorld) -> None:
    world = live(make_world())
    supply = world.supplies["main"]
    starts = registers(world, 6)
    supply.output = False
    world.advance(0.010)
    supply.output = True
    world.advance(1.0)
    assert registers(world, 6) == starts
    assert registers(world, 0) == [2]
    supply.output = False
    world.advance(0.3)
    supply.output = True
    world.advance(5.0)
    assert registers(world, 6) == [starts[0] + 1]


def test_the_stand_reads_back_what_was_written_and_tests_itself(make_world: MakeWorld) -> None:
    world = make_world()
    rack = world.io["rack"]
    rack.write(RegisterTable.COIL, 19, [1])
    assert rack.read(RegisterTable.COIL, 19, 1) == [1]
    assert rack.read(RegisterTable.DISCRETE_INPUT, 19, 1) == [0], "the relay takes its time"
    world.advance(0.02)
    assert rack.read(RegisterTable.DISCRETE_INPUT, 18, 2) == [1, 1], "interlock closed, loop-back follows"
    assert rack.read(RegisterTable.INPUT_REGISTER, 17, 1) == pytest.approx([10 * world.ambient], abs=2)
