"""Before a failed check is put down to the unit: what is asked of the stand, and what a link that was away changes."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import cast

import pytest

from hilseq.description.registers import WordOrder
from hilseq.errors import LinkLost
from hilseq.plugin.classify import Outcome
from hilseq.plugin.gates import recheck_stand
from hilseq.plugin.planned import PlannedCheck
from hilseq.plugin.visit_run import VisitRun
from hilseq.procedures.bench import Bench
from hilseq.procedures.self_check import misfits
from hilseq.verdicts import CheckVerdict
from tests.procedures.twin_unit import TwinUnit


@dataclass
class _Run:
    """As much of a visit as the recheck asks: its bench, and a place for what it says."""

    here: Bench
    events: list[tuple[str, str]] = field(default_factory=list)

    def bench(self) -> Bench:
        return self.here

    def event(self, what: str, text: str, slot: str) -> None:
        assert slot == "A"
        self.events.append((what, text))

    def golden(self, slot: str) -> str:
        assert slot == "A"
        return ""


def _recheck(
    good: TwinUnit, *places: str, stage: str = "outputs", repeated: bool = False
) -> tuple[str, _Run]:
    """Return why a check of q05 is to be repeated that failed at these places, and the run that was told."""
    run = _Run(good.bench)
    check = PlannedCheck("c", "A", "s", stage, "It follows", "q05", gate=False, repeated=repeated)
    outcome = Outcome(CheckVerdict.FAILED, "it is dark", places)
    return recheck_stand(cast("VisitRun", run), check, outcome), run


@pytest.mark.parametrize(("places", "blamed"), [((), "q05"), (("q06", "q07"), "q06, q07")])
def test_the_stand_is_asked_about_what_failed(good: TwinUnit, places: tuple[str, ...], blamed: str) -> None:
    """At the places that the failure names, else at that of the check; all that was asked is noted."""
    again, run = _recheck(good, *places)
    assert again == ""
    ((what, text),) = run.events
    assert what == "stand asked"
    assert text.startswith(f"stand re-checked for {blamed}: supply main answers; ")


@pytest.fixture
def away(good: TwinUnit, monkeypatch: pytest.MonkeyPatch) -> TwinUnit:
    """A unit whose link has failed three exchanges, and answers again."""
    monkeypatch.setattr(good.unit.link, "failures", 3)
    return good


def test_a_check_whose_link_was_away_is_made_once_more(away: TwinUnit) -> None:
    """It says nothing of the unit; the words say how much was missed."""
    again, _ = _recheck(away, "q05")
    assert again.startswith("the link was away (3 exchanges failed) and answers again, while ")


@pytest.mark.parametrize(("stage", "repeated"), [("soak", False), ("outputs", True)])
def test_what_is_not_made_once_more_is_weighed(away: TwinUnit, stage: str, repeated: bool) -> None:
    """A soak, and a check that was repeated: failed by the link alone they are the link's, else the unit's."""
    with pytest.raises(LinkLost, match="it is dark; the link was away"):
        _recheck(away, "link", stage=stage, repeated=repeated)
    again, run = _recheck(away, "q05", stage=stage, repeated=repeated)
    assert again == ""
    assert [what for what, _ in run.events] == ["stand asked"]


@pytest.mark.parametrize(
    ("key", "change", "words"),
    [
        ("supply_voltage", {"scale": 0.0001}, "where 24 is right, a factor of 0.1: another `scale`"),
        ("clock", {"scale": 1.0}, "a factor of 1000: another `scale`"),
        ("clock", {"order": WordOrder.LOW_FIRST}, "the other `order` makes a clock of it"),
        ("mode", {"values": {"stopped": 4, "live": 5}}, "it reads 0, which `values` does not know"),
    ],
    ids=["scale of a voltage", "scale of a clock", "order of words", "numbers of the modes"],
)
def test_what_a_register_cannot_say_is_the_profiles(
    good: TwinUnit, key: str, change: dict[str, object], words: str
) -> None:
    """It is there and reads, and means nothing as the profile has it: the key is told."""
    unit, known = good.unit, good.unit.profile
    register = getattr(known.link, key).model_copy(update=change)
    unit._heard = -math.inf  # as of one that was never told a mode
    assert misfits(unit, good.clock) == []
    begun = good.clock.now()
    assert misfits(unit, good.clock) == []
    assert good.clock.now() - begun < 1.0  # what was found to make sense is not asked for again
    unit.makes_sense = False
    unit.profile = known.model_copy(update={"link": known.link.model_copy(update={key: register})})
    try:
        (found,) = misfits(unit, good.clock)
    finally:
        unit.profile = known
    assert found.place == ("link", key.replace("_", "-"))
    assert words in found.words
