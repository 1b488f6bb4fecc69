"""Which units a failure closes, and whom a fault of the stand concerns."""

from __future__ import annotations

from pathlib import Path

import pytest

from hilseq.analysis.limits import Limits, ReadingVerdict
from hilseq.description.loading import load_stand
from hilseq.errors import LinkLost, NotResolvable
from hilseq.journal.entries import Reading
from hilseq.plugin.allure_results import AllureResults
from hilseq.plugin.classify import Outcome, classify
from hilseq.plugin.gates import Gates, _too_much, _weigh_link
from hilseq.plugin.hooks import JunitResults, VisitHooks
from hilseq.plugin.judging import Judging
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


@pytest.mark.parametrize(
    ("verdict", "closed"), [(CheckVerdict.NOT_PERFORMED, ["A"]), (CheckVerdict.FAILED, [])]
)
def test_a_lost_link_closes_its_unit(verdict: CheckVerdict, closed: list[str]) -> None:
    """What was not performed for want of the link would not be later; a unit that fails at its link may go on."""
    gates = Gates(DUO, BOTH)
    assert gates.after("A", "an output", Outcome(verdict, "away", ("link",)), gate=False) == closed
    assert gates.reason("A") == (
        "the link of the unit was lost during 'an output': see there" if closed else ""
    )


def _current(value: float, verdict: ReadingVerdict, **fields: str) -> Reading:
    known = {"check": "c", "slot": "A", "name": "idle current", "unit": "A", "place": "supply"} | fields
    return Reading(value=value, low=0.085, high=0.135, verdict=verdict, **known)


def test_the_first_current_that_fails_is_what_a_leak_must_explain() -> None:
    """One at the supply that lies outside its limits: no other quantity, no other place, and no second one."""
    outside, inside = ReadingVerdict.FAILS, ReadingVerdict.CONFORMS
    readings = [
        _current(0.1, inside),
        _current(0.14, ReadingVerdict.MARGINAL),
        _current(5.0, outside, unit="V"),
        _current(0.025, outside, place="ai1"),
        _current(0.3, outside),
        _current(0.4, outside),
    ]
    assert _too_much(readings) == [(0.3, Limits(0.085, 0.135))]
    assert _too_much(readings[:4]) == []


def test_a_soak_that_failed_by_its_link_alone_is_the_links() -> None:
    """Nothing else was seen of the unit; what failed elsewhere too, or while the link was there, stays with it."""
    failed = Outcome(CheckVerdict.FAILED, "no answer", ("link",))
    with pytest.raises(LinkLost, match="no answer; it was away, and nothing else was wrong"):
        _weigh_link(failed, "it was away")
    _weigh_link(failed, "")
    _weigh_link(Outcome(CheckVerdict.FAILED, "dark", ("link", "q05")), "it was away")
    _weigh_link(Outcome(CheckVerdict.FAILED, "dark", ("q05",)), "it was away")


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


def test_every_method_that_is_marked_as_a_hook_is_one() -> None:
    """Pytest looks at `pytest_…` alone: by another name a hook is never called, and nobody says so."""
    marked = [
        f"{owner.__module__}.{owner.__qualname__}.{name}"
        for owner in (VisitHooks, Judging, JunitResults, AllureResults)
        for name, method in vars(owner).items()
        if hasattr(method, "pytest_impl")
    ]
    assert len(marked) > 10
    assert [name for name in marked if not name.rsplit(".", 1)[-1].startswith("pytest_")] == []
