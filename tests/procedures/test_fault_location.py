"""Faults of the harness and of the unit that look alike: each is told from the other, or nobody is blamed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from hilseq.errors import StandFault, UnitOrHarness
from hilseq.procedures.fault_location import FaultLocation
from tests.procedures.twin_unit import TwinUnit, twin_unit

FAULTS = Path(__file__).parents[1] / "end_to_end" / "harness_faults.py"


def _twin(folder: Path, *kinds: str) -> TwinUnit:
    return twin_unit(folder, *kinds, defect_files=(FAULTS,), seed=3)


@pytest.fixture(scope="module")
def broken_harness(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TwinUnit]:
    """A good unit on a harness with many faults, none of which meets another."""
    kinds = ("voltmeter-low", "voltmeter-high", "load-open", "load-low", "analog-channel", "thermometer")
    more = ("inputs-exchanged", "loops-exchanged", "lamp-channel", "ammeter")
    made = _twin(tmp_path_factory.mktemp("harness"), *(f"{kind}@supply" for kind in (*kinds, *more)))
    yield made
    made.close()


@pytest.fixture(scope="module")
def broken_unit(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TwinUnit]:
    """A unit with many faults on a good harness."""
    kinds = ("output-leaky@q05,severity=0.1", "output-stuck-off@q02", "output-weak@q09", "analog-bent@ao1")
    more = ("analog-offset@ao2", "idle-current-high", "temperature-sensor-wrong", "inputs-joined@i05+i06")
    made = _twin(tmp_path_factory.mktemp("unit"), *kinds, *more)
    yield made
    made.close()


def _asked(twin: TwinUnit, *places: str, by_current: bool = False) -> str:
    twin.unit.make_ready()
    twin.unit.return_to_idle()
    location = FaultLocation(twin.bench, twin.unit)
    return "; ".join(location.require_unit(places, by_current=by_current))


@pytest.mark.parametrize(
    ("place", "faulty"), [("q06", "v06"), ("temperature", "case"), ("supply", "supply main")]
)
def test_what_only_the_stand_explains_is_the_stands(
    broken_harness: TwinUnit, place: str, faulty: str
) -> None:
    """A voltmeter above the supply, a thermometer that two others contradict, an ammeter by the current limit."""
    with pytest.raises(StandFault) as fault:
        _asked(broken_harness, place, by_current=place == "supply")
    assert fault.value.places == (faulty,)


@pytest.mark.parametrize(
    ("place", "words"),
    [
        ("q05", "the gain of the channel v05"),
        ("q08", "the load or the wire at q08"),
        ("q10", "the load or the wire at q10"),
        ("ao1", "the gain of the channel ao1"),
        ("i05", "i05 and i06 do what the other is told"),
        ("ai1", "ai1 and ai2 say what the other is given"),
        ("indicator", "the channel or wire that senses it"),
    ],
)
def test_what_both_explain_blames_nobody(broken_harness: TwinUnit, place: str, words: str) -> None:
    """One channel, one load or one pair of wires behind a finding: a known good unit decides."""
    with pytest.raises(UnitOrHarness, match=words) as both:
        _asked(broken_harness, place)
    assert place in both.value.places


@pytest.mark.parametrize("place", ["q05", "q02", "ao1", "ao2", "temperature", "i05", "supply"])
def test_what_the_unit_alone_explains_stays_with_it(broken_unit: TwinUnit, place: str) -> None:
    """A leakage, a dead output that two channels see, a bent line, an offset that is gone without drive, a current."""
    _asked(broken_unit, place, by_current=place == "supply")


def test_a_weak_output_looks_like_its_load(broken_unit: TwinUnit) -> None:
    """With one voltmeter at a terminal nothing tells a weak switch from too low a load, or a channel from both."""
    with pytest.raises(UnitOrHarness, match="q09 loses more than the others"):
        _asked(broken_unit, "q09")


def test_sixteen_that_are_wrong_alike_have_one_cause(tmp_path: Path) -> None:
    """Told at all of them in one sentence: the reference of the rack, or the stage that all outputs share."""
    twin = _twin(tmp_path, "every-voltmeter@supply")
    try:
        with pytest.raises(UnitOrHarness, match=r"16 outputs alike: .*the reference of io rack") as both:
            _asked(twin, "q03")
    finally:
        twin.close()
    assert {f"q{number:02}" for number in range(1, 17)} <= set(both.value.places)
