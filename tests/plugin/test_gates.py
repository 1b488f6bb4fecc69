"""Which units a failure closes, and whom a fault of the stand concerns."""

from __future__ import annotations

from pathlib import Path

import pytest

from hilseq.description.loading import load_stand
from hilseq.errors import NotResolvable
from hilseq.plugin.classify import Outcome, classify
from hilseq.plugin.gates import Gates
from hilseq.procedures.wiring import parts_of, served_by
from hilseq.verdicts import CheckVerdict

STANDS = Path(__file__).parents[2] / "stands"
DUO = load_stand(STANDS / "duo-bench.yaml")
BOTH = ["A", "B"]
SERVED = {
    "supply left": {"A"},
    "supply right": {"B"},
    "io rack": {"A", "B"},
    "aq05": {"A"},
    "bi05": {"B"},
    "abi05": {"A"},
    "cover": {"A", "B"},
    "ambient": {"A", "B"},
    "what nobody knows": {"A", "B"},
}


@pytest.mark.parametrize(("part", "slots"), SERVED.items(), ids=SERVED.keys())
def test_whom_a_part_serves(part: str, slots: set[str]) -> None:
    """Where it can be reported, a part serves its own slots; where it cannot, all of them."""
    assert served_by(DUO, part) == slots


def test_a_slot_needs_its_own_instruments() -> None:
    """A visit of one slot uses its supply and the shared I/O, and leaves the other supply alone."""
    assert parts_of(DUO, ("B",)) == ["supply right", "io rack"]


@pytest.mark.parametrize("verdict", [CheckVerdict.FAILED, CheckVerdict.NOT_PERFORMED])
def test_a_gate_closes_its_own_unit(verdict: CheckVerdict) -> None:
    """A gate that failed, or was not even tried, closes its unit once, with its name in the reason."""
    gates = Gates(DUO, BOTH)
    assert gates.after("A", "the unit starts", Outcome(verdict), gate=True) == ["A"]
    assert gates.reason("A") == f"the gate 'the unit starts' was {verdict} before it"
    assert gates.reason("B") == ""
    assert gates.after("A", "again", Outcome(verdict), gate=True) == []


def test_a_reading_too_near_its_limit_closes_no_gate() -> None:
    """It says nothing against the unit, and nothing against continuing."""
    gates = Gates(DUO, BOTH)
    near = classify(NotResolvable("idle current is 135 mA", places=("supply",)))
    assert near.verdict is CheckVerdict.NOT_PERFORMED
    assert gates.after("A", "idle current", near, gate=True) == []
    assert gates.reason("A") == ""


@pytest.mark.parametrize("verdict", [CheckVerdict.PASSED, CheckVerdict.FAILED, CheckVerdict.NOT_PERFORMED])
def test_what_is_no_gate_closes_nothing(verdict: CheckVerdict) -> None:
    """A failed check that is no gate lets the others go on."""
    gates = Gates(DUO, BOTH)
    assert gates.after("A", "an output", Outcome(verdict), gate=False) == []
    assert gates.reason("A") == ""


FAULTS = {
    "of a supply": (("supply left",), ["A"]),
    "of the other slot's supply": (("supply right",), ["A", "B"]),
    "of the shared I/O": (("io rack",), BOTH),
    "of a channel": (("ai05", "abi05"), ["A"]),
    "of a port of the slot": (("port 1",), ["A"]),
    "of the profile": (("profile",), ["A"]),
    "without a place": ((), BOTH),
    "of the computer": (("disk",), BOTH),
}


@pytest.mark.parametrize(("places", "closed"), FAULTS.values(), ids=FAULTS.keys())
def test_a_fault_of_the_stand_closes_whom_it_concerns(places: tuple[str, ...], closed: list[str]) -> None:
    """Seen while A is tested, a fault closes A and whom the faulty part serves; all, when nobody knows."""
    gates = Gates(DUO, BOTH)
    outcome = Outcome(CheckVerdict.STAND_FAULT, "broken", places)
    assert gates.after("A", "a check", outcome, gate=False) == closed
    assert gates.reason("A") == "the stand failed earlier (broken)"
