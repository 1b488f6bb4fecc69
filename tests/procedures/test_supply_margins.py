"""Supply margins: interruptions, ramps and corners find what the unit has, say how well, and stay in bounds.

What the twin's unit really has is computed from its parts by the formula of check value 9.1,
t = C (V1^2 - V2^2) / (2 P), which the procedures do not know.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from itertools import pairwise
from pathlib import Path

import pytest
from hilseq_sim.world.build import build_world
from hilseq_sim.world.unit import UnitModel

from hilseq.analysis.search import Edge
from hilseq.description.profile import Mode, Profile
from hilseq.description.visit import describe_visit
from hilseq.errors import Interlock, NotPerformed, UnitFault
from hilseq.journal.entries import StoredFault
from hilseq.measured import Measured
from hilseq.procedures import clock_check, feeder, margins
from hilseq.procedures.margins import (
    RideThrough,
    claimed_ride_through,
    find_ride_through,
    ride_through_search,
    slow_ramp,
)
from hilseq.procedures.points import measure_loaded
from tests.procedures.conftest import MakeUnit
from tests.procedures.twin_unit import STANDS, TwinUnit

UNIT_FAULTS = Path(__file__).with_name("unit_faults.py")
#: What lets a slow supply search all the same.
_WAIVED = {"waived-readings": {"ride-through": "how exact a slow supply is, is the question here"}}


def model(*defects: str, seed: int = 1) -> UnitModel:
    """Return the unit that the twin of this seed has."""
    visit = describe_visit(STANDS / "sim-bench.yaml", {"A": STANDS / "units" / "rh16.yaml"})
    return build_world(visit, seed=seed, serials={"A": "RH-1"}, defects=defects).units["A"]


def profile() -> Profile:
    """Return the profile of the demo's unit."""
    return describe_visit(STANDS / "sim-bench.yaml", {"A": STANDS / "units" / "rh16.yaml"}).profiles["A"]


def ride_through(found: TwinUnit) -> RideThrough:
    """Bring a unit live and search."""
    found.unit.modes.move_to(Mode.LIVE)
    return find_ride_through(found.unit, found.clock)


@pytest.mark.parametrize("defect", ["", "hold-up-short,severity=0.5", "hold-up-short,severity=0.9"])
def test_ride_through_is_that_of_the_parts(make: MakeUnit, defect: str) -> None:
    """The edge found is the hold-up of the unit's capacitor at its load, within the stated uncertainty."""
    defects = (defect,) if defect else ()
    unit = model(*defects)
    parts = unit.parts
    power = parts.idle_power + parts.live_power + 16 * parts.power_per_output
    start = 24.0 - power / 24.0 * unit.input.resistance
    hold_up = unit.input.capacitance * (start**2 - unit.input.stop_below**2) / (2.0 * power)
    found = ride_through(make(*defects)).value
    assert found.value == pytest.approx(hold_up, abs=2.0 * found.standard_uncertainty)


def test_a_short_capacitor_fails_its_class_and_a_good_one_does_not(make: MakeUnit) -> None:
    """The claim is the longer of the profile's and that of PS2: 10 ms d.c. (check value 3.3, from memory)."""
    claimed = claimed_ride_through(profile())
    assert claimed.low == pytest.approx(0.010)
    found = ride_through(make("hold-up-short,severity=1")).value
    assert found.value < 0.010


def test_the_longer_of_claim_and_class_counts() -> None:
    """A profile that claims 1 ms and class PS2 must survive 10 ms (check value 3.3, from memory)."""
    short = profile().margins
    assert short is not None
    changed = profile().model_copy(update={"margins": short.model_copy(update={"ride_through": 0.001})})
    assert claimed_ride_through(changed).low == pytest.approx(0.010)


def test_the_search_ends_where_the_profile_says(make: MakeUnit) -> None:
    """No interruption is longer than the longest allowed, and a unit that survives it is said to."""
    found = ride_through(make(changes={"margins.longest-interruption": "20 ms"}))
    assert max(wanted for wanted, _, _ in found.rows) == pytest.approx(0.020)
    assert found.edge.fails is None
    assert "passes even at 20 ms" in found.in_words()
    assert found.value.value == pytest.approx(0.020)


def test_the_search_tells_its_resolution_and_how_exact_an_interruption_is(make: MakeUnit) -> None:
    """Resolution, repeats, trials and the supply's own speed stand in one sentence."""
    found = ride_through(make(stand_changes={"supplies.main.response": "20 ms"}, changes=_WAIVED))
    words = found.in_words()
    assert "1 ms apart (3 repeats" in words
    # Two limits of 20 ms, triangular together: 20 ms / sqrt 6 = 8.16 ms (GUM 4.3.9), twice that for k = 2.
    assert "±16.3 ms" in words


def test_an_interruption_that_was_longer_than_wanted_widens_the_finding() -> None:
    """What did not survive 13 ms was away for 17: the edge lies anywhere between 12 and 17 ms (GUM F.2.2.1)."""
    edge = Edge(0.012, 0.013, 0.001, 3, 9)
    found = RideThrough(edge, Measured(0.017, "s"), late=0.004).value
    assert found.value == pytest.approx(0.0145)
    assert found.standard_uncertainty == pytest.approx(0.005 / 12**0.5)


def test_a_slow_supply_makes_the_finding_worse(make: MakeUnit) -> None:
    """Without a stated response the settling time counts, and the uncertainty grows with it."""
    found = ride_through(make(stand_changes={"supplies.main.response": None}, changes=_WAIVED))
    assert found.value.standard_uncertainty == pytest.approx(0.050 / 6**0.5, rel=0.01)


def test_no_search_takes_more_trials_than_planned(good: TwinUnit) -> None:
    """The plan's number of interruptions is never exceeded."""
    found = ride_through(good)
    assert found.edge.trials <= ride_through_search(profile()).most_trials
    assert found.edge.trials == len(found.rows)


def test_every_interruption_leaves_a_live_unit(good: TwinUnit) -> None:
    """After the last one, long or short, the unit is ready, live, and its outputs are on."""
    made = good
    ride_through(made)
    assert made.unit.modes.reported() is Mode.LIVE
    assert all(made.unit.outputs.sensed().values())


def test_a_unit_that_does_not_restart_by_itself_is_found(make: MakeUnit) -> None:
    """A start that fails after an interruption is a fault of the start, and the interruption is named."""
    made = make("no-start,after=8s")
    with pytest.raises(UnitFault, match=r"after an interruption of \d+ ms the unit does not start") as caught:
        ride_through(made)
    assert caught.value.places == ("start",)
    assert not made.unit.supply.is_on


def test_a_unit_without_a_counter_of_starts_is_searched_too(make: MakeUnit) -> None:
    """Without the counter, being live with every output on tells a restart."""
    with_counter = ride_through(make()).edge
    without = ride_through(make(changes={"link.starts": None})).edge
    assert without.passes == with_counter.passes


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_ramp_finds_the_lockout(make: MakeUnit, seed: int) -> None:
    """Drop-out and pick-up are those of the unit's parts, within the stated uncertainty."""
    unit = model(seed=seed)
    made = make(seed=seed)
    ramp = slow_ramp(made.unit, made.clock)
    drop = unit.parts.idle_power / unit.input.stop_below * unit.input.resistance
    for measured, true in (
        (ramp.drop_out, unit.input.stop_below + drop),
        (ramp.pick_up, unit.input.start_above),
    ):
        assert measured.value == pytest.approx(true, abs=2.0 * measured.standard_uncertainty)
    assert (ramp.draws, ramp.starts) == (1, 1)
    # The edge lies between two voltages that the supply read, whatever it was set to.
    middles = [0.5 * (before[1] + after[1]) for before, after in pairwise(ramp.rows)]
    assert any(middle == pytest.approx(ramp.drop_out.value, abs=1e-9) for middle in middles)
    assert ramp.resolution == pytest.approx(0.1)


def test_a_ramp_goes_to_zero_and_back_at_its_slope_and_never_above_rated(good: TwinUnit) -> None:
    """All voltages lie between 0 V and rated; no step is faster than the profile's slope."""
    made = good
    ramp = slow_ramp(made.unit, made.clock)
    rows = ramp.rows
    volts = [row[1] for row in rows]
    assert "a leakage of" in feeder.fail_on_leakage(made.unit, ramp)
    assert min(volts) == pytest.approx(0.0, abs=0.02)
    assert max(volts) <= 24.02
    assert volts[-1] == pytest.approx(24.0, abs=0.02)
    slopes = [abs(after[1] - before[1]) / (after[0] - before[0]) for before, after in pairwise(rows)]
    assert max(slopes) <= 2.0 * 1.05


def test_a_unit_that_chatters_on_a_ramp_is_found(make: MakeUnit) -> None:
    """A burnt input contact lets the lockout swing: the unit starts more than once, or never holds."""
    made = make(
        "input-resistance-high,severity=0.62",
        changes={"twin": {"start-above": "17 V", "stop-below": "16.5 V"}},
    )
    try:
        ramp = slow_ramp(made.unit, made.clock)
    except UnitFault:
        return
    assert ramp.draws > 1 or ramp.starts != 1


@pytest.mark.parametrize(("volts", "severity"), [(20.4, 0.75), (20.4, 1.0)])
def test_a_unit_that_does_not_start_at_its_lowest_supply_is_found(
    make: MakeUnit, volts: float, severity: float
) -> None:
    """The message names the voltage, the supply is to blame, and the unit is left without power."""
    made = make(f"start-threshold-high,severity={severity}")
    with pytest.raises(UnitFault, match=r"at 20.4 V the unit is not ready") as caught:
        margins.start_at(made.unit, volts, made.clock)
    assert "supply" in caught.value.places
    assert not made.unit.supply.is_on


def test_an_output_that_stays_lost_at_rated_supply_says_nothing_of_the_supply(make: MakeUnit) -> None:
    """One that follows again at rated supply is lost by the supply; one that does not is lost by itself."""
    made = make("output-stuck-off@q05", "output-off-when-low@q07", defect_files=(UNIT_FAULTS,))
    for normally, places in (({"q05"}, ("q05",)), ({"q05", "q07"}, ("supply", "q05", "q07"))):
        margins.start_at(made.unit, 20.4, made.clock)
        made.unit.modes.move_to(Mode.LIVE)
        with pytest.raises(UnitFault, match=r"at 20\.4 V, q05") as caught:
            margins.fail_on_lost_outputs(made.unit, normally, 20.4)
        assert caught.value.places == places


def test_an_output_that_loses_more_at_a_corner_is_found(make: MakeUnit) -> None:
    """It follows its commands there all the same."""
    made = make("output-weak-when-low@q07", defect_files=(UNIT_FAULTS,))
    measure = partial(measure_loaded, made.unit.outputs, made.unit.supply.voltage, {}, made.clock)
    with pytest.raises(
        UnitFault, match=r"at 20\.4 V, q07 loses, or lets through, more than it may"
    ) as caught:
        margins.work_at(made.unit, 20.4, made.clock, measure, lambda _: None)
    assert caught.value.places == ("supply", "q07")


def test_a_corner_above_the_ceiling_is_refused(good: TwinUnit) -> None:
    """The supply's ceilings hold for margins as for everything else: nothing is sent."""
    made = good
    with pytest.raises(Interlock, match="31 V is refused"):
        margins.start_at(made.unit, 31.0, made.clock)
    assert not made.unit.supply.is_on


def test_a_fault_of_every_start_is_not_new_at_a_corner(make: MakeUnit) -> None:
    """What was stored before does not count, and what was not is blamed at the supply and at its place."""
    made = make("fault-returns,code=0x51")
    before = margins.stored(made.unit)
    margins.start_at(made.unit, 20.4, made.clock)
    margins.fail_on_new_faults(made.unit, before, "at 20.4 V")
    with pytest.raises(UnitFault, match=r"at 20\.4 V, the unit stored") as caught:
        margins.fail_on_new_faults(made.unit, [], "at 20.4 V")
    assert caught.value.places[0] == "supply"


def test_a_routine_entry_is_not_blamed_on_the_supply(make: MakeUnit) -> None:
    """A unit that logs what its supply does, and a healthy one does so too: nothing is said of it."""
    codes = {0x05: {"meaning": "power-up logged", "routine": True}}
    made = make(changes={"faults.codes": codes, "faults.at-slow-ramp": 5, "causes": {}})
    assert [fault.code for fault in margins.stored(made.unit)].count(5) > 0
    margins.fail_on_new_faults(made.unit, [], "at 20.4 V")


@pytest.mark.parametrize(
    ("place", "late", "error", "words"),
    [
        ("head", 0.0, None, ""),
        ("head", None, NotPerformed, "it counts milliseconds, and `faults.time` is for seconds"),
        ("head", -600.0, UnitFault, "it stores wrong times"),
        ("head", 3600.0, UnitFault, "it stores wrong times"),
        ("q05", 0.0, UnitFault, "it stores wrong places"),
        ("place 77", 0.0, NotPerformed, "the profile does not know"),
    ],
)
def test_a_fault_that_the_ramp_stored_has_its_place_and_time(
    good: TwinUnit, place: str, late: float | None, error: type[Exception] | None, words: str
) -> None:
    """A right code at a wrong place, or with a wrong time, sends whoever repairs the unit astray.

    A time in milliseconds (`late` None) is the profile's.
    """
    begun = clock_check.look_where_kept(good.unit, good.clock)
    assert begun is not None
    ended = replace(begun, at=begun.at + 30.0, shown=begun.shown + 30.0)
    time = begun.shown * 1e3 if late is None else begun.shown + late
    stored = StoredFault(code=0x31, place=place, time=time, meaning="", cause="", remedy="")
    if error is None:
        margins.assert_ramp_was_stored(good.unit, [stored], begun, ended)
        return
    with pytest.raises(error, match=words):
        margins.assert_ramp_was_stored(good.unit, [stored], begun, ended)
