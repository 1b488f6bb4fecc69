"""Every kind shows through the views, keeps its promise about severity, and comes and goes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import astuple, replace
from typing import Any

import pytest
from hilseq_sim.defects.catalogue import CATALOGUE
from hilseq_sim.defects.spec import ActiveDefect, places_for
from hilseq_sim.views import ModbusRefusal
from hilseq_sim.world.build import World, build_world

from hilseq.description.registers import RegisterTable
from hilseq.description.visit import Visit

from .conftest import MakeWorld, power, ready

pytestmark = pytest.mark.whole_run

HOUR = 3600.0


def _read(world: World, table: RegisterTable, address: int, count: int) -> Any:
    link = world.links["A"]
    return link.read(table, address, count) if link.answering() else "silent"


def _write(world: World, table: RegisterTable, address: int, values: list[int]) -> Any:
    link = world.links["A"]
    if not link.answering():
        return "silent"
    try:
        link.write(table, address, values)
    except ModbusRefusal as refusal:
        return refusal.code
    return "done"


class Portrait:
    """Everything a stand can see of a world during one scripted visit, in order."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.seen: list[Any] = []
        self._power_on()
        self._memory()
        self._modes_and_points()
        self._supply_margins()
        self._long_run()

    def _look(self) -> None:
        world, supply, rack = self.world, self.world.supplies["main"], self.world.io["rack"]
        self.seen += [
            supply.measure_voltage(),
            supply.measure_current(),
            supply.output,
            _read(world, RegisterTable.INPUT_REGISTER, 0, 15),
            rack.read(RegisterTable.DISCRETE_INPUT, 0, 20),
            rack.read(RegisterTable.INPUT_REGISTER, 0, 20),
            [astuple(world.trouble(name)) for name in world.connections],
        ]

    def _power_on(self) -> None:
        world = self.world
        self.seen.append(world.date - world.began)
        self.seen += [supply.identity for supply in world.supplies.values()]
        self.seen += [io.identification() for io in world.io.values()]
        self._look()
        power(world)
        for span in (0.05, 0.8, 1.5, 2.0):
            world.advance(span)
            self._look()
        self.seen.append(world.supplies["main"].inrush())
        self.seen += [world.links["A"].identification(), _read(world, RegisterTable.INPUT_REGISTER, 16, 2)]
        for port in ("port 1", "port 2"):
            self.seen.append(world.ports["A", port].corrupt(bytes(200), 19200))
        rack = world.io["rack"]
        rack.write(RegisterTable.COIL, 19, [1])
        world.advance(0.1)
        self._look()

    def _memory(self) -> None:
        world = self.world
        self.seen.append(_read(world, RegisterTable.INPUT_REGISTER, 100, 64))
        self.seen.append(_write(world, RegisterTable.COIL, 100, [1]))
        self.seen.append(_read(world, RegisterTable.INPUT_REGISTER, 100, 64))
        self.seen.append(_write(world, RegisterTable.HOLDING_REGISTER, 1000, list(range(32))))
        self.seen.append(_write(world, RegisterTable.COIL, 101, [1]))
        world.advance(0.5)
        world.supplies["main"].output = False
        world.advance(3.0)
        ready(world)
        self.seen.append(_read(world, RegisterTable.HOLDING_REGISTER, 1000, 32))
        self.seen.append(_read(world, RegisterTable.INPUT_REGISTER, 11, 1))
        self.seen.append(_read(world, RegisterTable.INPUT_REGISTER, 100, 64))

    def _modes_and_points(self) -> None:
        world, rack = self.world, self.world.io["rack"]
        for contact in range(3):
            rack.write(RegisterTable.COIL, 16, [int(number == contact) for number in range(3)])
            for span in (0.2, 0.3, 1.0):
                world.advance(span)
                self.seen.append(_read(world, RegisterTable.INPUT_REGISTER, 0, 1))
            self.seen.append(_read(world, RegisterTable.DISCRETE_INPUT, 100, 1))
            _write(world, RegisterTable.COIL, 0, [1] * 16)
            world.advance(0.05)
            self._look()
            _write(world, RegisterTable.COIL, 0, [0] * 16)
            world.advance(0.05)
        _write(world, RegisterTable.COIL, 0, [1] * 16)
        for contacts in ([0, 1, 0], [0, 0, 1], [1, 0, 0], [0, 0, 1]):  # leaves live with every output on
            rack.write(RegisterTable.COIL, 16, contacts)
            for _ in range(8):
                world.advance(0.1)
                self._look()
        for point in range(16):
            _write(world, RegisterTable.COIL, 0, [int(number == point) for number in range(16)])
            rack.write(RegisterTable.COIL, 0, [int(number == point) for number in range(16)])
            world.advance(0.05)
            self.seen.append(_read(world, RegisterTable.DISCRETE_INPUT, 0, 16))
            self._look()
            world.advance(0.2)
        _write(world, RegisterTable.HOLDING_REGISTER, 20, [5000, 9000])
        rack.write(RegisterTable.HOLDING_REGISTER, 0, [24000, 30000, 12000, 38000])
        world.advance(0.3)
        self.seen.append(_read(world, RegisterTable.INPUT_REGISTER, 20, 4))
        self._look()

    def _supply_margins(self) -> None:
        supply = self.world.supplies["main"]
        for volts in (20.4, 28.8):
            supply.set_voltage = volts
            self.world.advance(0.5)
            supply.output = False
            self.world.advance(0.010)
            supply.output = True
            self.world.advance(0.5)
            self._look()
            supply.output = False
            self.world.advance(3.0)
            supply.output = True
            self.world.advance(5.0)
            self._look()

    def _long_run(self) -> None:
        for _ in range(3):
            self.world.advance(3 * HOUR)
            self._look()


@pytest.fixture(scope="module")
def good(visit: Visit) -> list[Any]:
    return Portrait(build_world(visit, seed=11, serials={"A": "42"})).seen


@pytest.mark.parametrize("kind", sorted(CATALOGUE))
def test_every_kind_shows_through_the_views(visit: Visit, good: list[Any], kind: str) -> None:
    places = places_for(kind, visit)
    if not places:
        pytest.skip("sits nowhere on this bench; see test_defect_spec")
    world = build_world(visit, seed=11, serials={"A": "42"}, defects=[f"{kind}@{places[len(places) // 2]}"])
    assert Portrait(world).seen != good


def test_no_defect_means_no_difference(visit: Visit, good: list[Any]) -> None:
    assert Portrait(build_world(visit, seed=11, serials={"A": "42"})).seen == good


def test_a_defect_that_never_comes_makes_no_difference(visit: Visit, good: list[Any]) -> None:
    defects = [
        "output-stuck-on@q05,after=1000h",
        "no-start@start,below=-40degC",
        "io-silent@rack,above=200degC",
    ]
    assert Portrait(build_world(visit, seed=11, serials={"A": "42"}, defects=defects)).seen == good


# -- severity ------------------------------------------------------------------------------------------
# For each graded kind, what a good sequence would measure: true means inside the profile's limits.


def _current(world: World, contact: int) -> float:
    ready(world)
    world.io["rack"].write(RegisterTable.COIL, 16, [int(number == contact) for number in range(3)])
    world.advance(1.0)
    return world.supplies["main"].measure_current()


def _idle_inside(world: World) -> bool:
    return 0.085 <= _current(world, 0) <= 0.135


def _live_inside(world: World) -> bool:
    return 0.100 <= _current(world, 2) <= 0.155


def _rides_through(world: World) -> bool:
    """At rated supply, idle, where the hold-up is longest."""
    ready(world)
    starts = _read(world, RegisterTable.INPUT_REGISTER, 6, 1)
    supply = world.supplies["main"]
    supply.output = False
    world.advance(0.010)
    supply.output = True
    world.advance(0.2)
    answering = world.links["A"].answering()
    world.advance(5.0)
    return answering and _read(world, RegisterTable.INPUT_REGISTER, 6, 1) == starts


def _starts_low(world: World) -> bool:
    power(world, 20.4)
    world.advance(4.0)
    return bool(_read(world, RegisterTable.INPUT_REGISTER, 10, 1) == [1])


def _runs_low(world: World) -> bool:
    ready(world)
    world.supplies["main"].set_voltage = 20.4
    world.advance(2.0)
    return world.links["A"].answering()


def _ready_in_time(world: World) -> bool:
    power(world)
    world.advance(4.0)
    return bool(_read(world, RegisterTable.INPUT_REGISTER, 10, 1) == [1])


def _changes_in_time(world: World) -> bool:
    ready(world)
    world.io["rack"].write(RegisterTable.COIL, 18, [1])
    world.advance(0.5)
    return bool(_read(world, RegisterTable.INPUT_REGISTER, 0, 1) == [2])


def _live(world: World) -> World:
    _current(world, 2)
    return world


def _drop_inside(world: World) -> bool:
    _live(world)
    _write(world, RegisterTable.COIL, 4, [1])
    world.advance(0.05)
    volts = world.io["rack"].read(RegisterTable.INPUT_REGISTER, 4, 1)[0] / 1000
    return world.supplies["main"].measure_voltage() - volts <= 0.8


def _off_is_off(world: World) -> bool:
    _live(world)
    return world.io["rack"].read(RegisterTable.DISCRETE_INPUT, 4, 1) == [0]


def _output_in_time(world: World) -> bool:
    _live(world)
    _write(world, RegisterTable.COIL, 4, [1])
    world.advance(0.05)
    return world.io["rack"].read(RegisterTable.DISCRETE_INPUT, 4, 1) == [1]


def _off_in_time(world: World) -> bool:
    _live(world)
    _write(world, RegisterTable.COIL, 4, [1])
    world.advance(0.2)
    world.io["rack"].write(RegisterTable.COIL, 16, [1, 0, 0])
    while _read(world, RegisterTable.INPUT_REGISTER, 0, 1) == [2]:
        world.advance(0.001)
    world.advance(0.05)
    return world.io["rack"].read(RegisterTable.DISCRETE_INPUT, 4, 1) == [0]


def _input_in_time(world: World) -> bool:
    ready(world)
    world.io["rack"].write(RegisterTable.COIL, 4, [1])
    world.advance(0.05)
    return bool(_read(world, RegisterTable.DISCRETE_INPUT, 4, 1) == [1])


def _analog_inside(world: World) -> bool:
    ready(world)
    worst = 0.0
    for raw in (8000, 16000, 24000, 32000, 40000):
        world.io["rack"].write(RegisterTable.HOLDING_REGISTER, 1, [raw])
        world.advance(0.3)
        for _ in range(10):
            seen = _read(world, RegisterTable.INPUT_REGISTER, 21, 1)[0]
            worst = max(worst, abs(seen - raw / 2))
    return worst <= 80.0


def _frames_whole(world: World) -> bool:
    ready(world)
    port = world.ports["A", "port 2"]
    frames = [bytes([number] * 16) for number in range(30)]
    return sum(port.corrupt(frame, 19200) != frame for frame in frames) <= 1


def _clock_inside(world: World) -> bool:
    ready(world)
    start = world.units["A"].clock.now()
    world.advance(10 * HOUR)
    return abs(world.units["A"].clock.now() - start - 10 * HOUR) <= 10 * HOUR * 100e-6


def _battery_inside(world: World) -> bool:
    ready(world)
    return bool(_read(world, RegisterTable.INPUT_REGISTER, 9, 1)[0] >= 2600)


def _stays_cool(world: World) -> bool:
    _live(world)
    _write(world, RegisterTable.COIL, 0, [1] * 16)
    world.advance(20 * HOUR)
    return world.io["rack"].read(RegisterTable.INPUT_REGISTER, 16, 1)[0] <= 700


def _sensor_agrees(world: World) -> bool:
    ready(world)
    own, stand = (
        _read(world, RegisterTable.INPUT_REGISTER, 5, 1)[0],
        world.io["rack"].read(RegisterTable.INPUT_REGISTER, 16, 1)[0],
    )
    return bool(abs(own - stand) <= 30)


def _in_time(endpoint: str, deadline: float) -> Callable[[World], bool]:
    return lambda world: world.trouble(endpoint).late < deadline


def _reads_true(world: World) -> bool:
    ready(world)
    return abs(world.supplies["main"].measure_voltage() - 24.0) <= 24.0 * 0.0005 + 0.005


def _calibration_holds(world: World) -> bool:
    calibration = world.stand.io["rack"].calibration
    assert calibration is not None
    return world.date.date() <= calibration.due


MEASURES: dict[str, tuple[str, Callable[[World], bool]]] = {
    "idle-current-high": ("supply", _idle_inside),
    "idle-current-low": ("supply", _idle_inside),
    "live-current-high": ("supply", _live_inside),
    "hold-up-short": ("supply", _rides_through),
    "start-threshold-high": ("supply", _starts_low),
    "stop-threshold-high": ("supply", _runs_low),
    "input-resistance-high": ("supply", _runs_low),
    "slow-start": ("start", _ready_in_time),
    "mode-change-slow": ("modes", _changes_in_time),
    "outputs-linger": ("modes", _off_in_time),
    "output-weak": ("q05", _drop_inside),
    "output-leaky": ("q05", _off_is_off),
    "output-slow": ("q05", _output_in_time),
    "input-slow": ("i05", _input_in_time),
    "analog-offset": ("ai2", _analog_inside),
    "analog-gain": ("ai2", _analog_inside),
    "analog-bent": ("ai2", _analog_inside),
    "analog-noisy": ("ai2", _analog_inside),
    "analog-drifts": ("ai2", _analog_inside),
    "port-bit-errors": ("port 2", _frames_whole),
    "port-clock-error": ("port 2", _frames_whole),
    "clock-drifts": ("clock", _clock_inside),
    "battery-low": ("battery", _battery_inside),
    "runs-hot": ("temperature", _stays_cool),
    "temperature-sensor-wrong": ("temperature", _sensor_agrees),
    "link-late": ("link", _in_time("link A", 0.5)),
    "supply-late": ("supply main", _in_time("supply main", 2.0)),
    "io-late": ("io rack", _in_time("io rack", 1.0)),
    "io-answers-twice": ("io rack", lambda world: world.trouble("io rack").twice_behind < 256),
    # what a stand can wait for at every look, `MOST_LATE` of hilseq.procedures.scan_time
    "io-reads-late": ("io rack", lambda world: world.wiring.io["rack"].stale < 0.25),
    "io-busy": ("io rack", lambda world: world.trouble("io rack").busy < 1.0),
    "supply-readback-drifts": ("supply main", _reads_true),
    "calibration-expired": ("io rack", _calibration_holds),
}
GRADED = sorted(kind for kind, row in CATALOGUE.items() if row.graded and kind != "input-threshold-high")


def test_every_graded_kind_is_measured() -> None:
    assert sorted(MEASURES) == GRADED


@pytest.mark.parametrize("kind", GRADED)
def test_severities_lie_on_the_side_of_the_limit_that_the_catalogue_says(
    make_world: MakeWorld, kind: str
) -> None:
    row, (place, inside) = CATALOGUE[kind], MEASURES[kind]
    for seed in range(5):
        for severity in (0.0, row.harmless):
            assert inside(make_world(f"{kind}@{place},severity={severity}", seed=seed)), (seed, severity)
        for severity in (row.matters, 1.0):
            assert not inside(make_world(f"{kind}@{place},severity={severity}", seed=seed)), (seed, severity)


def test_an_io_simulator_without_mains_lets_go_of_its_drives(make_world: MakeWorld) -> None:
    """Each minute for as long as the defect is there; what was written afterwards holds until the next time."""
    world = ready(make_world("io-resets@rack,after=10s,for=61s"))
    rack, drive = world.io["rack"], world.wiring.channels["i01"]
    for _ in range(2):
        rack.write(RegisterTable.COIL, 0, [1])
        world.advance(3.0)
        assert (rack.read(RegisterTable.COIL, 0, 1), drive.actual()) == ([1], 1.0)
        world.advance(57.0)
        assert (rack.read(RegisterTable.COIL, 0, 1), drive.actual()) == ([0], 0.0)
    rack.write(RegisterTable.COIL, 0, [1])
    world.advance(1000.0)
    assert rack.read(RegisterTable.COIL, 0, 1) == [1]


def test_a_supply_without_mains_is_off_and_has_forgotten_its_settings(make_world: MakeWorld) -> None:
    """Each minute for as long as the defect is there; what was set afterwards holds until the next time."""
    world = ready(make_world("supply-resets@main,after=10s,for=61s"))
    supply = world.supplies["main"]
    supply.overcurrent_protection = True
    assert supply.set_voltage > 0.0
    for _ in range(2):
        supply.set_voltage, supply.set_current = 12.0, 2.0
        world.advance(1.0)  # until the terminals are below the level that is set next
        supply.overvoltage = 14.0
        supply.output = True
        world.advance(3.0)
        assert supply.output
        world.advance(56.0)
        assert (supply.output, supply.overcurrent_protection) == (False, False)
        assert (supply.set_voltage, supply.set_current, supply.overvoltage) == (
            0.0,
            supply.current_limits[1],
            supply.voltage_limits[1],
        )
    supply.set_voltage = 12.0
    world.advance(1000.0)
    assert supply.set_voltage == 12.0


# -- coming and going ----------------------------------------------------------------------------------


def _q05(world: World) -> int:
    return world.io["rack"].read(RegisterTable.DISCRETE_INPUT, 4, 1)[0]


def test_after_and_for(make_world: MakeWorld) -> None:
    world = ready(make_world("output-stuck-on@q05,after=10s,for=2s"))
    seen = []
    for _ in range(10):
        world.advance(1.0)
        seen.append(_q05(world))
    # ready ends at 5 s; the switch takes a millisecond
    assert seen == [0, 0, 0, 0, 0, 1, 1, 0, 0, 0]


def test_above_follows_the_case_temperature(make_world: MakeWorld) -> None:
    world = ready(make_world("output-stuck-on@q05,above=45degC"))
    unit = world.units["A"]
    states = set()
    for _ in range(200):
        world.advance(60.0)
        states.add((_q05(world), unit.heat.case() > 45.0))
    assert states == {(0, False), (1, True)}
    world.supplies["main"].output = False
    world.advance(10 * HOUR)
    assert unit.heat.case() < 45.0
    ready(world)
    assert _q05(world) == 0


def test_below_is_there_while_the_unit_is_cold(make_world: MakeWorld) -> None:
    world = ready(make_world("output-stuck-on@q05,below=45degC"))
    assert _q05(world) == 1
    world.advance(10 * HOUR)
    assert _q05(world) == 0


@pytest.mark.parametrize("defect", ["no-start@start", "input-shorted@supply", "supply-trips-early@main"])
def test_probability_is_drawn_once_per_power_up(make_world: MakeWorld, defect: str) -> None:
    """Also where the defect itself keeps the unit from having its power."""
    world = make_world(f"{defect},probability=0.3")
    started = 0
    for _ in range(200):
        ready(world)
        answering = world.links["A"].answering()
        world.advance(3.0)
        assert world.links["A"].answering() is answering, "not drawn again in between"
        started += answering
        world.supplies["main"].output = False
        world.supplies["main"].clear_protection()
        world.advance(3.0)
    # 200 draws of 0.7: 140 expected, standard deviation 6.5
    assert 115 < started < 165


def test_a_dead_port_of_a_network_answers_nothing(visit: Visit) -> None:
    """The driver is dead whatever is spoken on the line."""
    profile = visit.profiles["A"]
    ports = profile.ports | {"port 2": profile.ports["port 2"].model_copy(update={"partner": "modbus tcp"})}
    changed = replace(visit, profiles={"A": profile.model_copy(update={"ports": ports})})
    answers = []
    for defects in ([], ["port-dead@port 2"]):
        world = ready(build_world(changed, seed=11, serials={"A": "42"}, defects=defects))
        modbus = world.ports["A", "port 2"].modbus
        assert modbus is not None
        answers.append((modbus.answering(), world.links["A"].answering()))
    assert answers == [(True, True), (False, True)]


def test_an_interruption_that_is_ridden_through_draws_nothing(make_world: MakeWorld) -> None:
    """The unit never lost its power: no power-up, no draw; a brown-out that stops it is one."""
    world = ready(make_world("output-stuck-on@q05,probability=0.5"))
    supply, seen = world.supplies["main"], set()
    first = _q05(world)
    for _ in range(30):
        supply.output = False
        world.advance(0.002)
        supply.output = True
        world.advance(0.1)
        assert _q05(world) == first
    for _ in range(30):
        supply.set_voltage = 5.0
        world.advance(3.0)
        supply.set_voltage = 24.0
        world.advance(5.0)
        seen.add(_q05(world))
    assert seen == {0, 1}


@pytest.mark.parametrize(
    "defect",
    [
        "stop-threshold-high@supply",
        "input-shorted@supply",
        "processor-stops@start",
        "idle-current-high@supply",
    ],
)
@pytest.mark.parametrize("condition", ["above=31degC", "below=31degC"])
def test_a_defect_that_cools_the_unit_does_not_chatter(
    make_world: MakeWorld, monkeypatch: pytest.MonkeyPatch, defect: str, condition: str
) -> None:
    """It takes the load away, the case cools, it goes, the case warms: minutes each, not microseconds."""
    changes = 0
    change = ActiveDefect._set

    def counted(self: ActiveDefect, *, active: bool) -> None:
        nonlocal changes
        changes += active != self.active
        change(self, active=active)

    monkeypatch.setattr(ActiveDefect, "_set", counted)
    world = ready(make_world(f"{defect},{condition}"))
    world.advance(10 * HOUR)
    assert 1 <= changes < 600


@pytest.mark.parametrize(("condition", "goes"), [("above=32degC", 31.0), ("below=32degC", 33.0)])
def test_a_defect_comes_at_its_temperature_and_goes_a_degree_later(
    make_world: MakeWorld, monkeypatch: pytest.MonkeyPatch, condition: str, goes: float
) -> None:
    """The level itself is where it comes; where it goes lies 1 K further back."""
    moves: list[tuple[bool, float]] = []
    change = ActiveDefect._set

    def noted(self: ActiveDefect, *, active: bool) -> None:
        if active != self.active and world is not None:
            moves.append((active, world.units["A"].heat.case()))
        change(self, active=active)

    world: World | None = None
    monkeypatch.setattr(ActiveDefect, "_set", noted)
    world = make_world(f"output-stuck-on@q05,{condition}")
    for _ in range(2):
        ready(world).advance(10 * HOUR)
        world.supplies["main"].output = False
        world.advance(10 * HOUR)
    assert {active: round(case, 6) for active, case in moves} == {True: 32.0, False: goes}
    assert len(moves) >= 3


def test_the_same_seed_draws_the_same_starts(make_world: MakeWorld) -> None:
    def starts(seed: int) -> list[bool]:
        world = make_world("no-start@start,probability=0.5", seed=seed)
        seen = []
        for _ in range(20):
            seen.append(ready(world).links["A"].answering())
            world.supplies["main"].output = False
            world.advance(3.0)
        return seen

    assert starts(1) == starts(1)
    assert starts(1) != starts(2)


def test_several_defects_combine_and_part_again(make_world: MakeWorld) -> None:
    world = ready(
        make_world(
            "output-stuck-on@q05,for=20s",
            "output-stuck-on@q05,after=10s,for=20s",
            "outputs-shorted@q05+q06,after=15s,for=5s",
            "input-stuck-on@i03",
        )
    )
    rack, link = world.io["rack"], world.links["A"]
    seen = []
    for _ in range(6):
        world.advance(0.5)
        seen.append(rack.read(RegisterTable.DISCRETE_INPUT, 4, 2))
        world.advance(5.5)
    assert seen == [[1, 0], [1, 0], [1, 1], [1, 0], [1, 0], [0, 0]]
    assert link.read(RegisterTable.DISCRETE_INPUT, 0, 4) == [0, 0, 1, 0]


def test_a_defect_that_went_leaves_nothing_behind(visit: Visit) -> None:
    kinds = [kind for kind, row in CATALOGUE.items() if row.side == "unit" and places_for(kind, visit)]
    defects = [f"{kind}@{places_for(kind, visit)[0]},for=0.5s" for kind in kinds]
    world, good = build_world(visit, seed=2, defects=defects), build_world(visit, seed=2)
    for each in (world, good):
        each.advance(1.0)
    for unit, other in ((world.units["A"], good.units["A"]),):
        for part, twin in (
            (unit.input, other.input),
            (unit.start, other.start),
            (unit.heat, other.heat),
            (unit.clock, other.clock),
            (unit.outputs.outputs["q01"], other.outputs.outputs["q01"]),
            (unit.analog_inputs["ai1"], other.analog_inputs["ai1"]),
            (world.port_models["A", "port 1"], good.port_models["A", "port 1"]),
        ):
            numbers = {
                k: v for k, v in vars(twin).items() if isinstance(v, (int, float)) and not k.startswith("_")
            }
            for name, value in numbers.items():
                assert getattr(part, name) == pytest.approx(value, rel=1e-12, abs=1e-12), name
    assert world.trouble("link A") == good.trouble("link A")
