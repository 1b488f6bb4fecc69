"""A stand that breaks in the middle of a visit is found to be broken before the unit is blamed for it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.end_to_end.conftest import ROOT, MakeVisit, Visit
from tests.hasty import hasty_stand

SEQUENCES = ROOT / "sequences"
#: Stand defects that begin after the set-up stage has found nothing, and what they make of the visit.
LATER = {
    "a drive of an input": ("dead-channel@i05,after=4s", "test_70_inputs.py", {"i05", "bi05"}),
    "the wire to an input": ("broken-wire@i05,after=4s", "test_70_inputs.py", {"i05", "bi05"}),
    "a relay of the mode switch": ("dead-channel@s3,after=4s", "test_50_modes.py", {"s3", "bs3"}),
    "a logic channel at an output": ("dead-channel@q05,after=4s", "test_60_outputs.py", {"q05", "v05"}),
    "a voltmeter at an output": ("broken-wire@v05,after=4s", "test_65_loaded_outputs.py", {"q05", "v05"}),
    "an interlock": ("interlock-open@cover,after=4s", "test_50_modes.py", {"cover"}),
}
#: Units that are really broken at the same places stay to blame.
UNITS = {
    "an input": ("input-stuck-off@i05", "test_70_inputs.py", "i05"),
    "an output": ("output-stuck-off@q05", "test_60_outputs.py", "q05"),
    "an output that leaks half its voltage": (
        "output-leaky@q05,severity=0.97",
        "test_65_loaded_outputs.py",
        "q05",
    ),
    "a contact of the mode switch": ("mode-contact-open@held", "test_50_modes.py", "mode held"),
}
#: Checks that end with the unit at fault unless the stand admits its own.
FAILS_AFTER_A_PAUSE = """
def test_waits(ready_unit, clock):
    clock.sleep(10)
    assert False, "it looks bad"
"""


def asked(visit: Visit) -> list[dict[str, Any]]:
    """Return what the stand was asked before somebody was blamed."""
    lines = (visit.folder / "journal.jsonl").read_text(encoding="ascii").splitlines()
    entries = [json.loads(line) for line in lines]
    return [entry for entry in entries if entry.get("what") == "stand asked"]


@pytest.mark.parametrize(("defect", "sequence", "places"), LATER.values(), ids=LATER.keys())
def test_a_stand_that_breaks_later_is_never_the_units_fault(
    visit: MakeVisit, defect: str, sequence: str, places: set[str]
) -> None:
    """The unit looks bad, the stand is asked, and what it finds is a stand fault at its own part."""
    files = ("test_05_set_up.py", "test_10_power_on.py", sequence)
    done = visit(*(str(SEQUENCES / name) for name in files), "--defect", defect)
    assert done.verdicts()["test_05_set_up.py::test_instruments"] == "passed"
    assert (done.code, done.disposition) == (4, "stand fault"), done.out[-3000:]
    assert "failed" not in done.verdicts().values()
    assert done.places & places, done.places


@pytest.mark.parametrize(("defect", "sequence", "place"), UNITS.values(), ids=UNITS.keys())
def test_a_bad_unit_stays_to_blame(visit: MakeVisit, defect: str, sequence: str, place: str) -> None:
    """The stand is asked, finds itself sound, and says what it looked at; the unit goes to repair."""
    done = visit(str(SEQUENCES / sequence), "--defect", defect)
    assert (done.code, done.disposition) == (1, "repair"), done.out[-3000:]
    assert place in done.places
    words = " ".join(entry["text"] for entry in asked(done))
    assert "supply main answers" in words
    assert "io rack answers" in words


def test_what_was_tested_instead_is_named(visit: MakeVisit) -> None:
    """The journal keeps which loop-back was tried before an input was blamed."""
    done = visit(str(SEQUENCES / "test_70_inputs.py"), "--defect", "input-stuck-off@i05")
    assert any("loop-back at i05 follows" in entry["text"] for entry in asked(done))


@pytest.mark.parametrize(
    ("defect", "place"), [("supply-silent,after=8s", "supply main"), ("io-garbage,after=8s", "io rack")]
)
def test_an_instrument_that_died_during_a_check(
    visit: MakeVisit, tmp_path_factory: pytest.TempPathFactory, defect: str, place: str
) -> None:
    """An instrument that does not answer any more when a check has failed takes the blame off the unit."""
    own = tmp_path_factory.mktemp("own") / "test_waits.py"
    own.write_text(FAILS_AFTER_A_PAUSE, encoding="utf-8")
    done = visit(str(own), "--defect", defect, stand=hasty_stand(own.parent))
    assert (done.code, done.disposition) == (4, "stand fault"), done.out[-3000:]
    assert place in done.places
    (check,) = [check for check in done.unit["checks"] if check["id"].endswith("test_waits")]
    assert check["verdict"] == "stand fault"


FORGOT, LET_GO = "has forgotten its settings", "has let go of what it drove"
#: Checks with which a unit fails that starts badly or is driven otherwise than reported, and when the mains of an
#: instrument fails during them: the supply is off, or on again by then, and has forgotten its settings; the I/O
#: simulator drives the mode switch and the inputs.
DIPS = [
    ("test_85_supply_margins.py", "supply-resets,after=24s,for=10s", "supply main", FORGOT),
    ("test_90_power_cycling.py", "supply-resets,after=12s,for=10s", "supply main", FORGOT),
    ("test_90_power_cycling.py", "supply-resets,after=15s,for=10s", "supply main", FORGOT),
    ("test_50_modes.py", "io-resets,after=5.5s", "io rack", LET_GO),
    ("test_70_inputs.py", "io-resets,after=5s", "io rack", LET_GO),
    ("test_60_outputs.py", "io-resets,after=5.1s", "io rack", LET_GO),
]


@pytest.mark.parametrize(("sequence", "defect", "place", "words"), DIPS)
def test_a_dip_of_the_mains_of_an_instrument_is_never_the_units_fault(
    visit: MakeVisit, sequence: str, defect: str, place: str, words: str
) -> None:
    """What it has forgotten or let go of tells, before the unit is blamed."""
    done = visit(str(SEQUENCES / sequence), "--defect", defect)
    assert (done.code, done.disposition) == (4, "stand fault"), done.out[-3000:]
    assert "failed" not in done.verdicts().values()
    assert done.places == {place}
    assert words in " ".join(done.out.split())


def test_what_was_seen_of_the_unit_is_kept(visit: MakeVisit) -> None:
    """A stand fault found after a failure says what the failure was, for who has to find out."""
    done = visit(
        *(str(SEQUENCES / name) for name in ("test_10_power_on.py", "test_70_inputs.py")),
        *("--defect", "dead-channel@i05,after=4s"),
    )
    (check,) = [check for check in done.unit["checks"] if check["verdict"] == "stand fault"]
    assert "the unit failed (" in check["why"]
    assert "but the stand itself is at fault: loop-back at i05" in check["why"]


def test_a_passed_check_asks_nothing(visit: MakeVisit) -> None:
    """The stand is asked after failures only: a good unit costs nothing more."""
    assert not asked(visit(str(SEQUENCES / "test_10_power_on.py")))


def test_what_unit_and_harness_explain_alike_is_neither(visit: MakeVisit) -> None:
    """One channel of the stand shows too little of an output: the unit is incomplete, and the place is reported."""
    faults = str(Path(__file__).with_name("harness_faults.py"))
    done = visit(
        str(SEQUENCES / "test_65_loaded_outputs.py"),
        *("--defects", faults, "--defect", "voltmeter-low@supply"),
    )
    assert (done.code, done.disposition, done.places) == (3, "incomplete", {"q05"})
    assert "unit or harness: repeat with a known good unit" in " ".join(done.out.split())


def test_a_wire_to_an_input_that_loses_too_much_is_the_stands(visit: MakeVisit) -> None:
    """The read-back at the terminal of the input sees what comes through the wire."""
    faults = str(Path(__file__).with_name("harness_faults.py"))
    done = visit(
        str(SEQUENCES / "test_70_inputs.py"), *("--defects", faults, "--defect", "input-wire@supply")
    )
    assert (done.code, done.disposition) == (4, "stand fault")
    assert "bi09" in done.places
