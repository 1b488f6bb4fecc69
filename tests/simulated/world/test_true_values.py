"""True values: what the twin tells a campaign of acceptance is what its world really does, also with other kinds."""

from __future__ import annotations

import pytest
from hilseq_sim.defects.spec import resolve
from hilseq_sim.defects.true_values import true_values_on
from hilseq_sim.world.build import World
from hilseq_sim.world.operation import Phase

from hilseq.description.profile import Mode
from hilseq.description.registers import RegisterTable
from hilseq.description.visit import Visit

from .conftest import MakeWorld, power, ready

SHARE = 0.9
SEVERITY = f",severity={SHARE / 2}"


def live(world: World, *, outputs: bool = False) -> World:
    ready(world)
    world.io["rack"].write(RegisterTable.COIL, 16, [0, 0, 1])
    world.advance(1.0)
    assert world.units["A"].modes.mode is Mode.LIVE
    if outputs:
        world.links["A"].write(RegisterTable.COIL, 0, [1] * 16)
        world.advance(1.0)
    return world


def test_currents_settle_where_they_were_put(make_world: MakeWorld) -> None:
    """Idle, live and loaded current of one unit, all at 0.9 of their upper limits, on a stand with errors."""
    kinds = ["true-idle-current", "true-live-current", "true-loaded-current"]
    world = make_world("stand-errors", *(kind + SEVERITY for kind in kinds), seed=3)
    supply, start = world.supply_models["main"], world.profiles["A"].start
    ready(world)
    assert supply.true_current() == pytest.approx(SHARE * start.idle_current.high, rel=1e-4)
    live(world)
    assert start.live_current is not None
    assert start.loaded_current is not None
    assert supply.true_current() == pytest.approx(SHARE * start.live_current.high, rel=1e-4)
    world.links["A"].write(RegisterTable.COIL, 0, [1] * 16)
    world.advance(1.0)
    assert supply.true_current() == pytest.approx(SHARE * start.loaded_current.high, rel=1e-4)


def test_outputs_lose_and_leak_what_was_wanted(make_world: MakeWorld) -> None:
    """The drop from the supply's terminals, and the current through a load that is off by its tolerance."""
    world = make_world(
        "stand-errors", f"true-voltage-drop@q05{SEVERITY}", f"true-leakage@q06{SEVERITY}", seed=4
    )
    live(world, outputs=True)
    point = world.profiles["A"].points.outputs["q05"]
    unit, supply = world.units["A"], world.supply_models["main"]
    unit.outputs.look()
    assert point.voltage_drop is not None
    assert point.leakage is not None
    drop = supply.true_voltage() - unit.outputs.seen["q05"]
    assert drop == pytest.approx(SHARE * point.voltage_drop, rel=1e-3)
    world.links["A"].write(RegisterTable.COIL, 0, [0] * 16)
    world.advance(1.0)
    unit.outputs.look()
    leaks = unit.outputs.seen["q06"] / unit.outputs.outputs["q06"].load
    assert leaks == pytest.approx(SHARE * point.leakage, rel=1e-3)


def test_a_unit_is_ready_when_it_was_wanted(make_world: MakeWorld) -> None:
    """The time runs from the supply's switch, with what charging the input takes."""
    world = make_world(f"true-time-to-ready{SEVERITY}", seed=5)
    power(world)
    limit = world.profiles["A"].start.ready_within
    world.advance(SHARE * limit - 1e-3)
    assert not world.units["A"].start.ready
    world.advance(2e-3)
    assert world.units["A"].start.ready


@pytest.mark.parametrize(("share", "survives"), [(1.02, True), (0.98, False)])
def test_an_interruption_is_ridden_through_as_long_as_wanted(
    make_world: MakeWorld, share: float, survives: bool
) -> None:
    """Live with every output on at rated supply, without its source for the claimed time."""
    world = live(make_world(f"true-ride-through,severity={share / 2}", seed=6), outputs=True)
    unit, margins = world.units["A"], world.profiles["A"].margins
    assert margins is not None
    inside, _ = unit.input.volts(), unit.start.phase
    left = inside**2 - 2.0 * unit.load() * margins.ride_through / unit.input.capacitance
    assert (left > unit.input.stop_below**2) is survives


def test_the_unit_stops_where_it_was_wanted(make_world: MakeWorld) -> None:
    """Idle, on a supply that is lowered slowly."""
    world = ready(make_world(f"true-drop-out{SEVERITY}", seed=7))
    supply, unit = world.supply_models["main"], world.units["A"]
    low = world.profiles["A"].ratings.supply_range.low
    for share, phase in ((SHARE + 0.004, Phase.READY), (SHARE - 0.004, Phase.OFF)):
        supply.set_voltage = share * low
        world.advance(1.0)
        assert unit.start.phase is phase, f"at {share:g} of the lower end of the range"


def test_what_is_reported_has_the_errors_of_what_tells(make_world: MakeWorld) -> None:
    """A share of a limit to both sides has the sign that the seed draws; the other errors of the part are gone."""
    world = make_world(f"true-deviation@ai1{SEVERITY}", f"true-temperature-error{SEVERITY}", seed=8)
    claim = world.profiles["A"].link.temperature_error
    assert claim is not None
    assert abs(world.units["A"].heat.sensor_error) == pytest.approx(SHARE * claim)
    channel = world.units["A"].analog_inputs["ai1"]
    channel.drive(12.0, "mA")
    world.advance(1.0)
    most, noise = SHARE * channel.limit(12.0), 0.1 * channel.limit(12.0)
    assert most - noise <= abs(channel.reading() - 12.0) <= most


def test_stand_errors_fill_what_the_file_states_and_no_more(make_world: MakeWorld) -> None:
    """Over many stands: none is worse than its accuracy, some come near it, and all differ."""
    shares = []
    for seed in range(40):
        supply = make_world("stand-errors", seed=seed).supply_models["main"]
        error = abs(20.0 * supply.volt_gain + supply._volt_offset - 20.0)
        shares.append(error / (0.0005 * 20.0 + 0.005))
    assert max(shares) <= 0.95 + 1e-9
    assert max(shares) > 0.85
    assert len(set(shares)) == len(shares)


def test_every_true_value_can_be_set_on_the_shipped_stand(visit: Visit) -> None:
    """Each kind is listed with its places, and none is one of the catalogue."""
    listed = true_values_on(visit)
    assert {"true-voltage-drop", "true-ride-through", "stand-errors"} <= listed.keys()
    for kind, places in listed.items():
        assert resolve(f"{kind}@{places[-1]}", visit).kind.kind == kind
