"""Any split of the same span gives the same state to 1e-9."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hilseq_sim.world.build import World, build_world
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hilseq.description.registers import RegisterTable
from hilseq.description.visit import Visit


def state(world: World) -> dict[str, float]:
    """Everything continuous of a world, and its discrete states as numbers."""
    unit, supply = world.units["A"], world.supply_models["main"]
    assert unit.battery is not None
    assert unit.faults is not None
    unit.outputs.look()
    return {
        "time": world.time,
        "capacitor": unit.input.volts(),
        "supply voltage": supply.true_voltage(),
        "supply current": supply.true_current(),
        "inrush peak": supply.inrush()[0],
        "inrush charge": supply.inrush()[1],
        "case": unit.heat.case(),
        "clock": unit.clock.now(),
        "charge": unit.battery.charge(),
        "starts": unit.start.starts,
        "phase": list(type(unit.start.phase)).index(unit.start.phase),
        "mode": list(type(unit.modes.mode)).index(unit.modes.mode),
        "faults": unit.faults.count,
        "tripped": supply.overvoltage_tripped + 2 * supply.overcurrent_tripped,
        **{f"output {name}": unit.outputs.seen[name] for name in ("q01", "q02", "q05")},
        **{f"input {name}": unit.inputs.state(name) for name in ("i01", "i02")},
        "ai1": unit.analog_inputs["ai1"].value.at(world.time),
    }


def _switch(*positions: int) -> Callable[[World], None]:
    return lambda world: world.io["rack"].write(
        RegisterTable.COIL, 16, [int(p in positions) for p in (0, 1, 2)]
    )


def _set(**knobs: float) -> Callable[[World], None]:
    def act(world: World) -> None:
        for name, value in knobs.items():
            setattr(world.supplies["main"], name, value)

    return act


def _outputs(*bits: int) -> Callable[[World], None]:
    def act(world: World) -> None:
        if world.links["A"].answering():
            world.links["A"].write(RegisterTable.COIL, 0, list(bits))

    return act


#: A visit in short: what is done, and for how long the world is then left alone.
VISIT: list[tuple[Callable[[World], None], float]] = [
    (_set(set_voltage=24.0, set_current=1.5, output=True), 0.05),
    (_switch(2), 4.0),
    (_outputs(1, 0, 1, 0, 1), 0.1),
    (lambda world: world.io["rack"].write(RegisterTable.COIL, 0, [1, 0]), 0.03),
    (lambda world: world.io["rack"].write(RegisterTable.HOLDING_REGISTER, 0, [24000]), 0.1),
    (_set(set_voltage=20.4), 0.2),
    (_set(output=False), 0.03),
    (_set(output=True), 0.5),
    (_set(set_current=0.12), 1.0),
    (_set(set_current=1.5, set_voltage=28.8), 3600.0),
    (_set(output=False), 5.0),
    (_set(overvoltage=20.0, output=True), 1.0),
]
DEFECTS = (
    "output-stuck-on@q05,after=30min,above=35degC",
    "processor-resets@start,after=20s,for=3s",
    "idle-current-high@supply,above=40degC,severity=0.3",
)


def _live(
    visit: Visit, cuts: list[float], defects: tuple[str, ...], *, asking: bool = False
) -> list[dict[str, float]]:
    world = build_world(visit, seed=7, serials={"A": "1"}, defects=defects)
    states = []
    for act, span in VISIT:
        act(world)
        edges = sorted({cut * span for cut in cuts if 0.0 < cut < 1.0})
        before = 0.0
        for edge in (*edges, span):
            world.advance(edge - before)
            before = edge
            if asking:
                state(world)
        states.append(state(world))
    return states


@pytest.fixture(scope="module")
def undivided(visit: Visit) -> dict[tuple[str, ...], list[dict[str, float]]]:
    return {defects: _live(visit, [], defects) for defects in ((), DEFECTS)}


@pytest.mark.parametrize("defects", [(), DEFECTS], ids=["good", "defective"])
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cuts=st.lists(st.floats(0.0, 1.0), max_size=12), asking=st.booleans())
def test_any_split_gives_the_same_state(
    visit: Visit,
    undivided: dict[tuple[str, ...], list[dict[str, float]]],
    defects: tuple[str, ...],
    cuts: list[float],
    *,
    asking: bool,
) -> None:
    """Nor does it matter whether anybody looks in between: what was seen is kept for that instant only."""
    lived = _live(visit, cuts, defects, asking=asking)
    for divided, whole in zip(lived, undivided[defects], strict=True):
        for name, value in whole.items():
            assert divided[name] == pytest.approx(value, rel=1e-9, abs=1e-9), name


def test_the_visit_passes_through_what_it_is_meant_to(visit: Visit) -> None:
    states = _live(visit, [], ())
    assert states[0]["inrush peak"] == pytest.approx(1.5)
    assert states[2]["output q01"] > 20.0
    assert states[2]["output q02"] < 1.0
    assert states[-2]["phase"] == 0
    assert states[-1]["tripped"] == 1


def test_an_hour_costs_no_more_events_than_a_millisecond(visit: Visit) -> None:
    world = build_world(visit, seed=1)
    VISIT[0][0](world)
    world.advance(10.0)
    counted = world.timeline._count
    world.advance(3600.0)
    assert world.timeline._count - counted <= 2
