"""Journals of before there were versions: whole runs read to the right state, and one stored line for each change."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from hilseq.journal.entries import (
    KINDS,
    CertificateStated,
    EventLogged,
    FaultsRead,
    MadeSafe,
    NotAnEntry,
    OperatorPrompt,
    Reading,
    RunStarted,
    entry_from,
)
from hilseq.journal.reader import read_journal, run_state
from hilseq.journal.run_state import RunState, RunStatus
from hilseq.journal.seals import read_run
from hilseq.journal.soak_entries import SamplesMissed, SoakStarted
from hilseq.journal.upcasts import UPCASTS, upcast
from hilseq.plugin.other_runs import resumed_run
from hilseq.reports.visit_lines import Verdict, next_step
from hilseq.reports.write import write_reports
from hilseq.verdicts import Disposition

STORED = Path(__file__).resolve().parents[1] / "data" / "journals-v0"
#: What became of each stored run: status, exit code, what is done with its units, checks that failed somewhere.
RUNS: dict[str, tuple[RunStatus, int, list[str], int]] = {
    "good": (RunStatus.COMPLETED, 0, ["ship"], 0),
    "repair": (RunStatus.COMPLETED, 1, ["repair"], 5),
    "stand-fault": (RunStatus.COMPLETED, 4, ["stand fault"], 2),
    "two-slots": (RunStatus.COMPLETED, 3, ["incomplete", "incomplete"], 0),
    "soak": (RunStatus.COMPLETED, 1, ["repair"], 3),
    "soak-good": (RunStatus.COMPLETED, 3, ["incomplete"], 0),
    "interrupted": (RunStatus.COMPLETED, 3, ["incomplete"], 0),
    "interrupted-killed": (RunStatus.UNFINISHED, 3, ["incomplete"], 0),
}


def test_every_stored_run_is_looked_at() -> None:
    """No folder is left out."""
    assert {folder.name for folder in STORED.iterdir()} == set(RUNS)


@pytest.mark.parametrize("name", RUNS)
def test_a_stored_run_reads_to_its_state(name: str) -> None:
    status, code, dispositions, findings = RUNS[name]
    journal = read_journal(STORED / name)
    assert (journal.broken, journal.foreign, journal.torn) == ("", "", 0)
    state = run_state(journal)
    assert (state.status, state.final_exit_code) == (status, code)
    assert [str(state.final(unit)) for unit in state.units] == dispositions
    assert sum(len(unit.findings) for unit in state.units) == findings
    noted = 3 if state.end is None else state.end.exit_code
    assert noted == state.exit_code


def test_a_stored_soak_has_its_incidents_gaps_and_missed_samples() -> None:
    """Three incidents, one gap, and three samples missed, which were an event in words."""
    state = read_run(STORED / "soak")
    assert state.units[0].damage == ""
    soak = state.units[0].soak
    assert soak is not None
    assert soak.ended is not None
    assert (len(soak.incidents), len(soak.gaps), soak.missed) == (3, 1, soak.ended.missed)
    assert (soak.missed, soak.ended.events) == (3, 3)
    assert "ignored_events" in soak.started.plan


def test_a_stored_soak_that_was_killed_can_be_continued(tmp_path: Path) -> None:
    """Its state and its samples are what a resumed soak begins with; who watches sees what was done before."""
    shutil.copytree(STORED / "interrupted-killed", tmp_path / "run")
    resumed = resumed_run(tmp_path / "run")
    assert list(resumed.soaks) == ["A"]
    assert resumed.why == "the run was cut off"
    assert resumed.soaks["A"].last == resumed.last >= resumed.state.last
    assert any("test_95_soak" in check for check in resumed.open_checks)
    shown = RunState(resumed.state.header)
    for entry in resumed.beginning[1:]:
        shown.take(entry)
    assert {check.id for check in shown.checks if not check.ended} == resumed.open_checks
    verdict = Verdict(resumed.state.units[0], Disposition.INCOMPLETE, "DIR")
    assert next_step(verdict) == "continue its soak: hilseq resume DIR"


@pytest.mark.parametrize("name", ["repair", "soak", "two-slots"])
def test_reports_are_made_of_a_stored_run(name: str, tmp_path: Path) -> None:
    """Everything that a page shows is found in a line of before."""
    shutil.copytree(STORED / name, tmp_path / "run")
    write_reports(tmp_path / "run")
    summary = json.loads((tmp_path / "run" / "summary.json").read_bytes())
    assert [unit["disposition"] for unit in summary["units"]] == RUNS[name][2]


# -- one line for each change ------------------------------------------------------------------------------


def _stored(name: str, kind: str, **fields: Any) -> dict[str, Any]:
    """Return the first stored line of a kind, as it was written, that has these fields."""
    for text in (STORED / name / "journal.jsonl").read_text("ascii").splitlines():
        line: dict[str, Any] = json.loads(text)
        if line["kind"] == kind and all(line.get(key) == value for key, value in fields.items()):
            del line["n"], line["chain"]
            return line
    raise AssertionError(f"no line {kind} {fields} in {name}")


def test_every_kind_of_before_has_a_step() -> None:
    """What is new since then has none."""
    assert {kind for kind, version in UPCASTS if version == 0} == set(KINDS) - {"samples missed"}


@pytest.mark.parametrize("name", RUNS)
def test_lines_whose_fields_kept_their_meaning_keep_their_values(name: str) -> None:
    """Field by field, where the type has the field: nothing is lost or changed on the way."""
    changed = {"run started", "event", "soak started"}
    for text in (STORED / name / "journal.jsonl").read_text("ascii").splitlines():
        line = json.loads(text)
        if line["kind"] in changed:
            continue
        entry = json.loads(entry_from(upcast(line)).model_dump_json())
        for field, value in line.items():
            if field in entry and not isinstance(value, dict):
                assert entry[field] == value, (line["kind"], field)


def test_earlier_runs_are_prior_runs() -> None:
    line = _stored("two-slots", "run started")
    prior = {"run": "r", "started": "2026-01-05", "stand": "s", "disposition": "ship", "findings": ["q01: x"]}
    line["units"][0]["earlier_runs"] = [prior]
    entry = entry_from(upcast(line))
    assert isinstance(entry, RunStarted)
    assert entry.units[0].prior_runs[0].findings == ("q01: x",)
    assert [str(rule) for rule in entry.decision_rules.values()] == list(line["decision_rules"].values())


def test_samples_missed_were_an_event_in_words() -> None:
    line = _stored("soak", "event", what="overrun")
    assert line["text"].startswith("3 samples missed at ")
    entry = entry_from(upcast(line))
    assert entry == SamplesMissed(at=line["at"], t=line["t"], slot="A", count=3)


def test_a_prompt_lay_beside_its_event() -> None:
    """The question has its own part now; what was asked, and who answered what, is kept."""
    line = {"kind": "event", "at": "2026-01-05T08:00:00.000+00:00", "t": 1.5, "what": "answered", "slot": "A"}
    line |= {"text": "Is it dark? - 'yes', answered by Kim", "question": "Is it dark?", "picture": ""}
    line |= {"expected": ["yes", "no"], "answer": "yes", "by": "Kim", "seconds": 2.5}
    entry = entry_from(upcast(line))
    assert isinstance(entry, EventLogged)
    assert entry.prompt == OperatorPrompt(
        question="Is it dark?", expected=("yes", "no"), answer="yes", by="Kim", seconds=2.5
    )
    asked = {name: line[name] for name in ("kind", "at", "t", "slot", "picture", "expected")}
    entry = entry_from(upcast({**asked, "what": "asked", "text": "Is it dark?"}))
    assert isinstance(entry, EventLogged)
    assert entry.prompt == OperatorPrompt(question="Is it dark?", expected=("yes", "no"))


def test_the_plan_of_a_soak_called_its_ignored_events_otherwise() -> None:
    line = _stored("soak", "soak started")
    line["plan"]["not" + "_counted"] = ["indicator"]
    entry = entry_from(upcast(line))
    assert isinstance(entry, SoakStarted)
    assert entry.plan["ignored_events"] == ["indicator"]
    assert entry.modes == line["modes"]


def test_the_guard_and_the_run_write_one_kind() -> None:
    """What a run's line lacked then has its default; the guard's has all."""
    entry = entry_from(upcast(_stored("good", "made safe")))
    assert isinstance(entry, MadeSafe)
    assert (entry.by, entry.verified, entry.reason, entry.tries) == ("run", True, "", 1)
    guard = {
        "kind": "made safe",
        "at": "2026-01-05T08:00:00.000+00:00",
        "t": 0.0,
        "verified": True,
        "why": "",
    }
    guard |= {"by": "guard", "slot": "", "reason": "the run has died", "tries": 2, "seconds": 0.1}
    entry = entry_from(upcast(guard))
    assert isinstance(entry, MadeSafe)
    assert (entry.reason, entry.tries, entry.seconds) == ("the run has died", 2, 0.1)


def test_a_reading_kept_nothing_of_what_its_uncertainty_was_made_of() -> None:
    """One line as version 1 wrote it: everything is kept, and no term is invented."""
    line = _stored("good", "reading") | {"v": 1}
    entry = entry_from(upcast(line))
    assert isinstance(entry, Reading)
    assert (entry.v, entry.uncertainty, entry.value) == (2, line["uncertainty"], line["value"])
    assert (entry.terms, entry.coverage_factor, entry.degrees_of_freedom) == ((), None, None)


def test_a_certificate_asked_nothing_of_the_records() -> None:
    """One line as version 1 wrote it."""
    line = {"kind": "certificate", "v": 1, "at": "2026-01-05T08:00:00.000+00:00", "t": 0.0, "slot": "A"}
    line |= {"key_readings": ["idle current"], "waived": [], "shop": "S", "shop_address": "", "ambient": ""}
    entry = entry_from(upcast(line))
    assert isinstance(entry, CertificateStated)
    assert (entry.v, entry.key_readings, entry.populations) == (2, ("idle current",), ())


def test_stored_faults_keep_their_order_and_their_time() -> None:
    line = _stored("repair", "faults")
    entry = entry_from(upcast(line))
    assert isinstance(entry, FaultsRead)
    assert [(one.code, one.place, one.time) for one in entry.entries] == [
        (one["code"], one["place"], one["time"]) for one in line["entries"]
    ]


def test_a_field_that_was_only_ever_in_fixtures_is_ignored_as_it_was_then() -> None:
    """A reader of before ignored what it did not know; one of now refuses it."""
    line = _stored("good", "check ended") | {"stand_places": []}
    assert entry_from(upcast(line)).kind == "check ended"
    with pytest.raises(NotAnEntry, match="stand_places"):
        entry_from({**upcast(_stored("good", "check ended")), "stand_places": []})


@pytest.mark.parametrize(
    ("why", "obstacle"),
    [
        ("unit or harness: repeat with a known good unit. q05 is weak", "unit or harness"),
        ("error in the sequence: KeyError: 'q05'", "error in the sequence"),
        ("it needs an operator and none is there: turn the switch", "no operator"),
        ("it was not selected", "not selected"),
        ("no known good unit was tested in slot A since", "no visit of a known good unit"),
        ("the link of the unit was lost", None),
    ],
)
def test_what_kept_a_check_from_being_performed_was_told_by_its_words(why: str, obstacle: str | None) -> None:
    """Only of a check that was not performed: what failed may be said in any words."""
    line = _stored("good", "check ended") | {"why": why}
    for verdict, known in (("not performed", obstacle), ("failed", None)):
        entry = json.loads(entry_from(upcast({**line, "verdict": verdict})).model_dump_json())
        assert (entry["why"], entry["obstacle"]) == (why, known)


def test_a_version_of_tomorrow_is_refused_in_words() -> None:
    line = upcast(_stored("good", "check ended")) | {"v": 3}
    with pytest.raises(NotAnEntry, match="of version 3, which this hilseq does not know"):
        entry_from(upcast(line))
