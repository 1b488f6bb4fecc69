"""The one fold from entries to the state of a run: what it keeps, what it takes back, what it refuses."""

from __future__ import annotations

import pytest

from hilseq.analysis.limits import ReadingVerdict
from hilseq.journal.entries import (
    CheckEnded,
    CheckStarted,
    EventLogged,
    JournalEntry,
    MadeSafe,
    Reading,
    RunEnded,
    RunResumed,
)
from hilseq.journal.event_names import INTERLOCK, INTERLOCK_ACKNOWLEDGED
from hilseq.journal.run_state import RunState, RunStatus, fold
from hilseq.journal.soak_entries import SamplesMissed
from hilseq.verdicts import CheckVerdict, Disposition, ExitCode
from tests.journals import check_planned, run_started, soak_ended, soak_event, soak_started, unit

PASSED = CheckEnded(check="c", verdict=CheckVerdict.PASSED, seconds=1.0)
END = RunEnded(exit_code=0, interrupted=False)


def _run(*entries: JournalEntry) -> RunState:
    return fold([run_started(), check_planned("c"), *entries])


def test_a_check_is_what_was_last_noted_of_it() -> None:
    """Planned, begun, ended; and begun again by a resumed run."""
    state = _run()
    (check,) = state.checks
    assert (check.started, check.ended, check.why) == (False, False, "the run ended before this check")
    state.take(CheckStarted(check="c"))
    assert (check.started, check.why) == (True, "the run ended during this check")
    reading = Reading(check="c", slot="A", name="n", value=1.0, unit="V", verdict=ReadingVerdict.CONFORMS)
    state.take(reading)
    assert check.readings == [reading]
    state.take(PASSED)
    assert (check.ended, check.verdict, state.exit_code) == (True, CheckVerdict.PASSED, 0)
    state.take(CheckStarted(check="c"))
    assert (check.ended, check.verdict, state.exit_code) == (False, CheckVerdict.NOT_PERFORMED, 3)


def test_a_run_that_was_taken_up_again_has_no_end() -> None:
    state = _run(CheckStarted(check="c"), PASSED)
    assert state.status is RunStatus.UNFINISHED
    state.take(RunEnded(exit_code=3, interrupted=True))
    assert (state.status, state.why_it_broke_off) == (RunStatus.INTERRUPTED, "the run was interrupted")
    state.take(RunResumed(torn=0, why="", hilseq="0", boot="here"))
    assert (state.status, state.complete, state.boot) == (RunStatus.UNFINISHED, False, "here")
    state.take(END)
    assert (state.status, state.whole, state.final_exit_code) == (RunStatus.COMPLETED, True, 0)


@pytest.mark.parametrize("what", ["torn", "broken", "damage"])
def test_what_is_not_whole_ships_nothing(what: str) -> None:
    """The checks passed all the same: only what may be reported of them changes."""
    state = _run(CheckStarted(check="c"), PASSED, END)
    (tested,) = state.units
    assert state.final(tested) is Disposition.SHIP
    if what == "torn":
        state.torn = 5
    elif what == "broken":
        state.broken = "line 3 was changed"
    else:
        tested.damage = "samples-A.bin is gone"
    assert (tested.disposition, state.final(tested)) == (Disposition.SHIP, Disposition.INCOMPLETE)


def test_an_unsafe_stand_concerns_the_slots_it_names() -> None:
    state = fold([run_started(unit("A"), unit("B")), check_planned("a"), check_planned("b", slot="B")])
    for check in "ab":
        state.take(CheckStarted(check=check))
        state.take(CheckEnded(check=check, verdict=CheckVerdict.PASSED, seconds=1.0))
    state.take(MadeSafe(verified=False, why="supply B is on", by="run", slots=("B",)))
    state.take(END)
    assert [state.final(one) for one in state.units] == [Disposition.SHIP, Disposition.STAND_FAULT]
    state.take(MadeSafe(verified=True, by="run"))
    assert [state.final(one) for one in state.units] == [Disposition.SHIP, Disposition.SHIP]


def test_an_interlock_is_open_until_it_is_acknowledged() -> None:
    state = _run(EventLogged(slot="A", what=INTERLOCK, text="the door"))
    assert state.interlock is not None
    state.take(EventLogged(slot="A", what=INTERLOCK_ACKNOWLEDGED, text="by Kim"))
    assert state.interlock is None


def test_signs_of_one_number_are_one_incident_whatever_comes_between() -> None:
    """A start after an event may fail, which is the next one; then the first one's fault table is read again."""
    signs = [soak_event(1, place="q01"), soak_event(2, place="start"), soak_event(1, place="q02")]
    state = _run(CheckStarted(check="c"), soak_started(check="c"), *signs, SamplesMissed(slot="A", count=3))
    soak = state.units[0].soak
    assert soak is not None
    assert [[finding.place for finding in one.findings] for one in soak.incidents] == [
        ["q01", "q02"],
        ["start"],
    ]
    assert (len(soak.events), soak.missed, set(state.checks[0].signs)) == (3, 3, {"q01", "q02", "start"})
    state.take(soak_ended())
    state.take(EventLogged(slot="A", what="supply on", text=""))
    assert len(soak.notes) == 1
    assert len(state.units[0].events) == 2


def test_only_what_a_soak_left_open_is_done_again() -> None:
    """What ended before the soak stands, whatever it came to; of what came after, only what may change."""
    planned = [check_planned(name) for name in ("before", "soak", "after", "failed")]
    state = fold([run_started(), *planned])
    not_performed = CheckVerdict.NOT_PERFORMED
    state.take(CheckEnded(check="before", verdict=not_performed, seconds=0.0))
    state.take(soak_started(check="soak"))
    state.take(CheckEnded(check="soak", verdict=CheckVerdict.STAND_FAULT, seconds=0.0))
    state.take(CheckEnded(check="after", verdict=not_performed, seconds=0.0))
    state.take(CheckEnded(check="failed", verdict=CheckVerdict.FAILED, seconds=0.0))
    assert state.open_checks == {"soak", "after"}


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        (run_started(), "a second beginning"),
        (CheckStarted(check="unknown"), "the check unknown, which was not planned"),
        (EventLogged(slot="Z", what="x", text=""), "slot Z, which the run does not have"),
        (check_planned("x", slot="Z"), "slot Z, which the run does not have"),
    ],
)
def test_what_no_run_writes_here_is_refused(entry: JournalEntry, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        _run(entry)


def test_entries_without_a_beginning_are_no_run() -> None:
    for entries in ([], [END]):
        with pytest.raises(ValueError, match="does not begin with a run"):
            fold(entries)


def test_the_exit_codes_are_those_of_the_documents() -> None:
    """0, 1, 2, 3 and 4 as the README lists them; 75 is EX_TEMPFAIL of sysexits.h (BSD)."""
    assert {code.name: int(code) for code in ExitCode} == {
        "SHIP": 0, "REPAIR": 1, "USAGE": 2, "INCOMPLETE": 3, "STAND_FAULT": 4, "IN_USE": 75,
    }  # fmt: skip
