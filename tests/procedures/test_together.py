"""Every point at once: what comes only while all of it works is found, at its place."""

from __future__ import annotations

from pathlib import Path

import pytest

from hilseq.description.profile import Mode
from hilseq.errors import UnitFault, UnitOrHarness
from hilseq.measured import Measured
from hilseq.procedures import identity, link_check, margins
from hilseq.procedures.analog import sweep
from hilseq.procedures.points import measure_loaded
from hilseq.procedures.self_check import misfits
from hilseq.procedures.together import STEPS, run_together, wrong_when_quiet
from tests.procedures.conftest import MakeUnit

UNIT_FAULTS = Path(__file__).with_name("unit_faults.py")


def test_a_port_that_is_mute_under_full_load_is_found(make: MakeUnit) -> None:
    """Nothing of it is seen in the steps, in which about half of the outputs are on."""
    made = make("port-mute-under-load@port 1", defect_files=(UNIT_FAULTS,))
    found = run_together(made.unit, made.clock)
    places, words = found.failure()
    assert places == ["port 1"]
    assert words == "port 1 carries no frame while every output is on"
    assert made.unit.modes.reported() is Mode.LIVE


def test_slow_answers_leave_time_for_fewer_steps_and_the_claim_says_so(make: MakeUnit) -> None:
    """Where each exchange takes 0.3 s, 200 steps would take ten minutes; what fewer of them show is stated."""
    made = make(stand_changes={"twin": {"answer": "250..300 ms"}})
    found = run_together(made.unit, made.clock)
    assert found.failure() == ([], "")
    assert 24 <= found.steps < STEPS
    assert found.proven().startswith(f"{found.steps} steps ({STEPS} with quicker answers of unit and I/O)")


def test_what_is_wrong_while_held_only_is_found_at_its_place(make: MakeUnit) -> None:
    """Inputs, analog channels and ports have their own checks live, or as the unit started."""
    made = make("wrong-when-held@mode", defect_files=(UNIT_FAULTS,))
    places, words = wrong_when_quiet(made.unit, made.clock)
    assert set(places) == {"i02", "ai3", "port 1", "configuration"}
    assert words.startswith("in mode held: ")
    assert "port 1 carries no frame at all" in words


def test_reads_that_go_wrong_here_and_there_are_the_links(make: MakeUnit) -> None:
    """And what shows only after a long time on, or in some looks, is found while everything is held on."""
    defects = ("reads-wrong@link", "input-late-off@i09", "unwell-under-load@self-test", "output-chops@q03")
    made = make(*defects, "runs-away@supply", defect_files=(UNIT_FAULTS,))
    found = run_together(made.unit, made.clock)
    places, words = found.failure()
    assert set(places) == {"link", "i09", "q03", "supply", "self-test", "neighbour 2"}
    assert "of self-test, input register 2 reads 4 after 0, " in words
    assert "i09 stayed on when it was released after a long time" in words
    with pytest.raises(UnitOrHarness, match="a lamp that flickers, or its channel"):
        found.require_steady()
    with pytest.raises(UnitFault, match="with every output on") as raised:
        identity.assert_tells_its_state_loaded(made.unit)
    assert set(raised.value.places) >= {"self-test", "neighbour 2"}


def test_what_depends_on_where_one_looks_is_the_units(make: MakeUnit) -> None:
    """Leakage while held, an output that another's command moves; a clock that jumps is no profile that does not fit.

    And a counter of stored faults that stands, while the table grows.
    """
    made = make(
        "clock-jumps@clock",
        "moved-by-another@ao2",
        "leaks-when-held@q09",
        "fault-returns@stored faults",
        defect_files=(UNIT_FAULTS,),
    )
    unit = made.unit
    assert misfits(unit, made.clock) == []
    stored = unit.faults.read()
    unit.faults.assert_counted(stored[:-1])
    with pytest.raises(UnitFault, match=f"counts {len(stored)} .*, and counted as many when it held"):
        unit.faults.assert_counted(stored)
    loads = {name: Measured(48.0, "Ohm") for name in unit.outputs.names}
    unit.modes.move_to(Mode.HELD)
    seen = measure_loaded(unit.outputs, unit.supply.voltage, loads, made.clock, looks=1)
    assert list(margins.beyond_loads(unit, seen, driven=False)) == ["q09"]
    unit.modes.move_to(Mode.LIVE)
    moved = [swept.crosstalk() for swept in sweep(unit.analog).values()]
    assert [each and abs(each[0].value) > 0.1 for each in moved] == [
        name == "ao2" for name in unit.analog.names
    ]


@pytest.mark.parametrize(
    ("defect", "out", "places"),
    [
        ("battery-open", "no", ["battery"]),
        ("battery-open", "yes", []),
        ("battery-low,severity=0.55", "no", []),
    ],
)
def test_a_battery_is_low_under_load_only_where_there_is_one(
    make: MakeUnit, defect: str, out: str, places: list[str]
) -> None:
    """Not where intake says that it was taken out, and not within what the unit's converter may be off."""
    made = make(defect, intake={"battery-pulled": out})
    made.unit.modes.move_to(Mode.LIVE)
    found: list[str] = []
    try:
        identity.assert_tells_its_state_loaded(made.unit)
    except UnitFault as fault:
        found = list(fault.places)
    assert found == places


def test_a_unit_that_leaves_a_mode_by_itself_is_one_finding(make: MakeUnit) -> None:
    """Its outputs, all of them off then, are not sixteen more."""
    made = make("leaves-modes@mode", defect_files=(UNIT_FAULTS,))
    assert run_together(made.unit, made.clock).failure()[0] == ["mode live"]
    assert wrong_when_quiet(made.unit, made.clock) == (
        ["mode held"],
        "in mode held for some seconds, the unit is stopped by itself",
    )


@pytest.mark.parametrize(
    ("points", "places"),
    [
        ({}, []),
        ({"ai4": 40}, ["ai4"]),
        ({"ai3": 2, "ai4": 40}, ["ai4"]),
        ({"ai1": 1, "i03": 2}, ["link"]),
        ({"ai1": 9, "i03": 3}, ["link"]),
    ],
)
def test_where_points_are_misread(points: dict[str, int], places: list[str]) -> None:
    """One point far more often than all others is unsteady itself; where it goes round it is the link."""
    assert link_check.misread(points)[0] == places
