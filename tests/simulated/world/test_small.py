"""Nothing is wired to one profile: benches without analog, battery or switch work too."""

from __future__ import annotations

from functools import partial

import pytest
from hilseq_sim.views import ModbusRefusal
from hilseq_sim.world.build import build_world
from hilseq_sim.world.registers import RegisterMap
from hilseq_sim.world.stand_io import Channel
from hilseq_sim.world.timeline import Timeline

from hilseq.description.registers import Register, RegisterTable
from hilseq.description.visit import describe_visit

from .conftest import STANDS, SmallVisit, power, ready


def test_a_12_v_unit_with_its_mode_in_a_register(small_visit: SmallVisit) -> None:
    world = build_world(small_visit)
    link = world.links["A"]
    power(world)
    world.advance(1.0)
    assert link.answering(), "ready within its second though the twin's defaults take longer"
    assert link.read(RegisterTable.INPUT_REGISTER, 0, 1) == [0]
    assert link.read(RegisterTable.HOLDING_REGISTER, 0, 1) == [0]
    link.write(RegisterTable.HOLDING_REGISTER, 0, [1])
    world.advance(1.0)
    assert link.read(RegisterTable.INPUT_REGISTER, 0, 1) == [1]
    link.write(RegisterTable.COIL, 0, [1])
    world.advance(0.1)
    assert world.io["rack"].read(RegisterTable.DISCRETE_INPUT, 0, 1) == [1]
    assert 0.020 < world.supplies["main"].measure_current() < 0.080
    with pytest.raises(ModbusRefusal) as refusal:
        link.write(RegisterTable.HOLDING_REGISTER, 0, [9])
    assert refusal.value.code == 3
    with pytest.raises(ModbusRefusal):
        world.io["rack"].read(RegisterTable.DISCRETE_INPUT, 1, 1)


def test_the_plain_controller_starts() -> None:
    visit = describe_visit(STANDS / "dx08-bench.yaml", {"left": STANDS / "units" / "dx08.yaml"})
    world = ready(build_world(visit, serials={"left": "77"}))
    assert world.links["left"].answering()
    assert world.units["left"].battery is None
    assert world.units["left"].analog_inputs == {}


def test_a_slot_without_a_unit_is_empty(small_visit: SmallVisit) -> None:
    world = build_world(SmallVisit(small_visit.stand, {}))
    power_supply = world.supplies["main"]
    power_supply.set_voltage, power_supply.output = 12.0, True
    world.advance(1.0)
    assert power_supply.measure_voltage() == pytest.approx(12.0, abs=0.1)
    assert world.links == {}


def test_packed_bits_and_wide_values_share_registers() -> None:

    taken: list[float] = []
    kept: dict[int, float] = {0: 0.0, 3: 1.0}
    registers = RegisterMap(timeline=Timeline())
    for bit in (0, 3):
        register = Register.model_validate(
            {"table": "holding register", "address": 5, "type": "bit", "bit": bit}
        )
        registers.add_value(register, partial(kept.__getitem__, bit), partial(kept.__setitem__, bit))
    wide = Register.model_validate(
        {"table": "holding register", "address": 6, "type": "float32", "order": "low first", "scale": 2.0}
    )
    registers.add_value(wide, lambda: 3.0, taken.append)
    assert registers.read(RegisterTable.HOLDING_REGISTER, 5, 1) == [0b1000]
    registers.write(RegisterTable.HOLDING_REGISTER, 5, [0b0001])
    assert kept == {0: 1.0, 3: 0.0}
    assert registers.read(RegisterTable.HOLDING_REGISTER, 6, 2) == [0x0000, 0x3FC0]  # 1.5 as IEEE 754 single
    registers.write(RegisterTable.HOLDING_REGISTER, 6, [0x0000, 0x3FC0])
    assert taken == [3.0]


def test_channels_differ_from_seed_to_seed(small_visit: SmallVisit) -> None:
    seen: set[float] = set()
    for seed in range(5):
        channel: Channel = build_world(small_visit, seed=seed).wiring.channels["y1"]
        seen.add(channel.threshold)
    assert len(seen) == 5


def test_odd_twins_still_start(small_visit: SmallVisit) -> None:
    profile = small_visit.profiles["A"]
    odd: list[dict[str, object]] = [
        {"inrush_resistance": 0.0, "output_resistance": 0.0, "contact_bounce": 0.0, "mode_change": 0.0},
        {"input_capacitance": 1.0, "inrush_resistance": 1000.0},
        {"input_capacitance": 1e-9, "boot": 0.0, "self_test": 0.0},
        {"start_above": 0.0, "stop_below": 100.0, "tolerance": 0.5},
        {"start_above": 100.0, "stop_below": 0.0, "idle_power": 0.0},
        {"boot": 3600.0, "live_power": 100.0, "thermal_resistance": 1e6},
    ]
    for fields in odd:
        strange = profile.model_copy(update={"twin": profile.twin.model_copy(update=fields)})
        world = build_world(SmallVisit(small_visit.stand, {"A": strange}))
        power(world)
        world.advance(1.0)
        assert world.links["A"].answering(), fields
        world.supplies["main"].output = False
        world.advance(2.0)
        assert not world.links["A"].answering(), fields


def test_two_units_on_one_supply_share_it(small_visit: SmallVisit) -> None:
    stand, profile = small_visit.stand, small_visit.profiles["A"]
    both = stand.model_copy(update={"slots": {"A": stand.slots["A"], "B": stand.slots["A"]}})
    world = build_world(SmallVisit(both, {"A": profile, "B": profile}), seed=3)
    power(world, limit=1.0)
    world.advance(1.0)
    units = [world.units[slot] for slot in "AB"]
    assert all(world.links[slot].answering() for slot in "AB")
    assert units[0].parts != units[1].parts
    assert world.supply_models["main"].true_current() == pytest.approx(sum(u.input.amperes() for u in units))
    assert world.supplies["main"].inrush()[0] == pytest.approx(1.0, rel=0.01)
