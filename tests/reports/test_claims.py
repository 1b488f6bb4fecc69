"""The ledger of claims: every sentence of real visits goes when the observation behind it is broken."""

from __future__ import annotations

from collections import Counter
from copy import deepcopy
from pathlib import Path

import pytest

from hilseq.journal.entries import EventLogged
from hilseq.journal.event_names import CONDITIONS, PROOF, SUPPLY_ON, SUPPLY_SET
from hilseq.journal.run_state import UnitState
from hilseq.journal.seals import read_run
from hilseq.reports.claims import ClaimShown, ledger
from hilseq.reports.page_views import stages
from hilseq.verdicts import CheckVerdict

VISITS = Path(__file__).parents[1] / "data" / "journals-v0"


@pytest.fixture(scope="module", params=["good", "repair", "soak-good"])
def unit(request: pytest.FixtureRequest) -> UnitState:
    """The unit of a real visit, as its journal tells it."""
    return read_run(VISITS / request.param).units[0]


def _claim(unit: UnitState, like: ClaimShown) -> ClaimShown | None:
    """Return what has become of a claim: the one that any of the same checks stands behind."""
    return next((one for one in ledger(unit).claims if set(one.checks) & set(like.checks)), None)


def test_every_sentence_goes_with_its_observation(unit: UnitState) -> None:
    """Each check that did not happen takes its point out of the domain; the last one takes the sentence."""
    before = ledger(unit)
    assert before.claims
    for claim in before.claims:
        broken = deepcopy(unit)
        mine = [check for check in broken.checks if check.id in claim.checks]
        for number, check in enumerate(mine, 1):
            check.verdict, check.why = CheckVerdict.NOT_PERFORMED, "it was broken off"
            left = _claim(broken, claim)
            assert (left is None) == (number == len(mine))
            assert left is None or check.id not in left.checks
        missing = [
            each for each in ledger(broken).not_shown if each.why == "not performed: it was broken off"
        ]
        assert claim.sentence in {each.sentence for each in missing}


def _without_what_is_behind(unit: UnitState, claim: ClaimShown, part: str) -> str:
    """Take out of a visit what one part of a claim's domain was seen by, and nothing else; return what sort it is."""
    mine = [check for check in unit.checks if check.id in claim.checks]
    events = [event for event in unit.events if isinstance(event, EventLogged)]
    sorts = {"supplied with": (SUPPLY_ON, SUPPLY_SET), "case ": (CONDITIONS,), "around ": (CONDITIONS,)}
    gone = next((what for begins, what in sorts.items() if part.startswith(begins)), ())
    if not gone and any(event.what == PROOF and part in event.text for event in events):
        gone = (PROOF,)
    if gone:
        unit.events = [event for event in unit.events if getattr(event, "what", "") not in gone]
        return gone[0]
    if part.startswith("at "):
        for check in mine[1:]:
            check.verdict = CheckVerdict.NOT_PERFORMED
        mine[0].id = mine[0].id.partition("[")[0]
        return "points"
    if part.startswith("in ") and mine:
        for check in mine:
            check.seconds = 0.0
        return "time"
    for sort in ("readings", "tables"):
        behind = {one.name for check in mine for one in getattr(check, sort) if part.startswith(one.name)}
        if behind:
            for check in mine:
                setattr(check, sort, [one for one in getattr(check, sort) if one.name not in behind])
            return sort
    return ""


def test_every_part_of_a_domain_goes_with_what_was_seen(unit: UnitState) -> None:
    """One after the other: there is something behind each, and without it the part is gone."""
    sorts = Counter[str]()
    for claim in ledger(unit).claims:
        for part in claim.domain.split("; "):
            if part == "once":
                continue  # nothing but its check is behind it, and that goes with the sentence
            broken = deepcopy(unit)
            sorts[sort := _without_what_is_behind(broken, claim, part)] += 1
            assert sort, part
            left = next(one for one in ledger(broken).claims if one.sentence == claim.sentence)
            assert part not in left.domain.split("; ")
    seen = [check for check in unit.checks if check.verdict is CheckVerdict.PASSED]
    assert sorts["readings"]
    assert bool(sorts["tables"]) == any(check.tables for check in seen)
    assert bool(sorts["points"]) == any(check.element for check in seen)
    assert bool(sorts[PROOF]) == any(getattr(event, "what", "") == PROOF for event in unit.events)


def test_what_failed_is_not_shown(unit: UnitState) -> None:
    """Nothing that did not pass is claimed, and all of it is reported."""
    reported = ledger(unit)
    claimed = {check for claim in reported.claims for check in claim.checks}
    assert claimed == {check.id for check in unit.checks if check.verdict is CheckVerdict.PASSED}
    lacking = [check for check in unit.checks if check.verdict is not CheckVerdict.PASSED]
    assert bool(lacking) == bool(reported.not_shown)


def test_the_page_has_no_sentence_without_its_domain(unit: UnitState) -> None:
    """What stands over each group of checks says where it was seen, or that it was not."""
    domains = {claim.domain for claim in ledger(unit).claims}
    for stage in stages(unit):
        for group in stage.groups:
            assert group.domain in domains or not group.domain
            assert bool(group.domain) == any(
                "passed" in reported for reported in (group.reported, group.verdict)
            )
