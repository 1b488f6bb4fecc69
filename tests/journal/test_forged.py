"""Journals written anew from end to end: each chain holds, and each is reported as what it is."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, TypeAlias

import pytest

from hilseq.description.approved_plan import PlanContent
from hilseq.description.loading import load_profile
from hilseq.journal.chain import GENESIS, seal
from hilseq.journal.contradictions import contradictions
from hilseq.journal.entries import PROVOKED, RunStarted
from hilseq.journal.event_names import AMBIENT, REPEATED, STAND_ASKED, SUPPLY_OFF, SUPPLY_ON
from hilseq.journal.reader import read_journal, run_state
from hilseq.journal.seals import left_limits
from hilseq.journal.signatures import FILE_NAME as SIGNATURES
from hilseq.journal.signatures import Signer, Trust
from hilseq.plugin.planned import contradicts_its_files
from hilseq.records.database import open_database
from hilseq.records.importing import import_run
from hilseq.reports.verify import Verification, VerifyOutcome, verify
from hilseq.signing import key_file, known_stands, stand_key
from tests import warm
from tests.journals import plan_input, plan_of
from tests.reports.conftest import good_run

DATA = Path(__file__).parents[1] / "data" / "journals-v0"
STANDS = Path(__file__).parents[2] / "stands"
Lines: TypeAlias = list[dict[str, Any]]


def _lines(run: Path) -> Lines:
    plain = [json.loads(line) for line in (run / "journal.jsonl").read_text("ascii").splitlines()]
    return [{key: value for key, value in line.items() if key not in ("n", "chain")} for line in plain]


def _rewrite(run: Path, lines: Lines) -> None:
    """Write a journal anew, numbered and chained as a run does it."""
    chain, out = GENESIS, []
    for number, line in enumerate(lines):
        sealed, chain = seal(number, line, chain)
        out.append(sealed)
    (run / "journal.jsonl").write_bytes(b"".join(out))


@pytest.fixture
def run(tmp_path: Path) -> Path:
    """Return a copy of a run on a simulated stand that ended with a unit for repair."""
    return Path(shutil.copytree(DATA / "repair", tmp_path / "repair"))


def _first(lines: Lines, kind: str, **fields: Any) -> int:
    wanted = {"kind": kind, **fields}
    return next(n for n, line in enumerate(lines) if wanted.items() <= line.items())


def _passes_with_a_reading_that_fails(lines: Lines) -> None:
    lines[_first(lines, "reading", verdict="conforms")] |= {"value": 1e6, "verdict": "fails"}


def _on_hardware(lines: Lines) -> None:
    lines[0] |= {"simulated": False, "seed": None}
    lines[0]["options"] |= {"simulate": False, "defects": []}


def _asked_for_with_defects(lines: Lines) -> None:
    lines[0] |= {"simulated": False, "seed": None}


def _ship(lines: Lines) -> None:
    lines[-1]["exit_code"] = 0


def _value(lines: Lines) -> None:
    reading = lines[_first(lines, "reading", verdict="conforms")]
    reading["value"] = 1e6


def _uncertainty(lines: Lines) -> None:
    reading = lines[_first(lines, "reading", verdict="conforms")]
    reading["uncertainty"] = 1e6


def _limits(lines: Lines) -> None:
    reading = lines[_first(lines, "reading", verdict="conforms")]
    reading["low"], reading["high"] = 1e8, 1e9


def _rule(lines: Lines) -> None:
    lines[0]["decision_rules"] = dict.fromkeys(lines[0]["decision_rules"], "simple")


def _profile(lines: Lines) -> None:
    profile = next(one for one in lines[0]["inputs"] if one["role"].startswith("profile"))
    profile["text"] = profile["text"].replace("V", "W", 1)


def _sequence(lines: Lines) -> None:
    next(one for one in lines[0]["inputs"] if one["role"] == "sequence")["text"] += "\n"


def _end_deleted(lines: Lines) -> None:
    del lines[_first(lines, "check ended")]


def _swapped(lines: Lines) -> None:
    at = _first(lines, "check started")
    later = next(n for n in range(at + 1, len(lines)) if lines[n]["kind"] == "check ended")
    lines[at], lines[later] = lines[later], lines[at]


def _check_doubled(lines: Lines) -> None:
    at = _first(lines, "check ended", verdict="passed")
    lines.insert(at, lines[at])


def _plan_doubled(lines: Lines) -> None:
    at = _first(lines, "check planned")
    lines.insert(at, lines[at])


def _reading_doubled_elsewhere(lines: Lines) -> None:
    reading = lines[_first(lines, "reading")]
    lines.insert(_first(lines, "run ended"), {**reading, "at": lines[-1]["at"], "t": lines[-1]["t"]})


def _spliced(lines: Lines) -> None:
    other = _lines(DATA / "good")
    at = _first(lines, "check started")
    theirs = next(n for n, line in enumerate(other) if line["kind"] == "check started")
    lines[at:] = [dict(line, t=line["t"] + 600.0) for line in other[theirs:]]


def _earlier(lines: Lines) -> None:
    lines[-2]["t"] = 0.0


def _dated_otherwise(lines: Lines) -> None:
    lines[-1]["at"] = "2026-11-30T08:00:00.000+00:00"


def _goes_on(lines: Lines) -> None:
    lines.append({**lines[-2]})


def _never_begun(lines: Lines) -> None:
    del lines[
        _first(lines, "check started", check=lines[_first(lines, "check ended", verdict="passed")]["check"])
    ]


def _reading_in_words(lines: Lines) -> None:
    reading = lines[_first(lines, "reading", verdict="conforms")]
    reading["value"] = f"{reading['value']} or so"


def _reading_without_uncertainty(lines: Lines) -> None:
    lines[_first(lines, "reading", verdict="conforms")] |= {"value": 1e6, "uncertainty": None}


def _reading_doubled(lines: Lines) -> None:
    at = _first(lines, "reading")
    lines.insert(at, dict(lines[at]))


def _half_a_character_doubled(lines: Lines) -> None:
    lines[_first(lines, "reading")]["name"] = "\ud800"
    _reading_doubled(lines)


def _safe_after_all(lines: Lines) -> None:
    lines[_first(lines, "made safe")] |= {"verified": True, "why": "supply main still delivers 24 V"}


def _failing_readings_taken_out(lines: Lines) -> None:
    for line in lines:
        if line.get("verdict") == "failed":
            line |= {"verdict": "passed", "why": "", "places": []}
    lines[:] = [line for line in lines if line["kind"] != "reading" or line["verdict"] == "conforms"]
    lines[-1]["exit_code"] = 0


def _passed_and_why_not(lines: Lines) -> None:
    lines[_first(lines, "check ended", verdict="passed")]["why"] = "time to ready is 9 s"


def _of_another_slot(lines: Lines) -> None:
    lines[_first(lines, "reading")]["slot"] = "B"


def _with_a_term(lines: Lines, **otherwise: Any) -> None:
    """Give a reading of twice its uncertainty from its limit the term that this is made of."""
    reading = lines[_first(lines, "reading", verdict="conforms", low=None)]
    u = (reading["high"] - reading["value"]) / 8.0
    term = {"name": "a", "value": u, "distribution": "normal", "degrees_of_freedom": None, "source": ""}
    known = {"v": 2, "terms": [term], "uncertainty": 2.0 * u, "coverage_factor": 2.0, "probability": 1.0}
    reading |= known | otherwise


def _coverage(lines: Lines) -> None:
    _with_a_term(lines, coverage_factor=3.0)


def _probability(lines: Lines) -> None:
    _with_a_term(lines, probability=0.5)


def _terms_taken_out(lines: Lines) -> None:
    _with_a_term(lines, terms=[])


def _switched_off_twice(lines: Lines) -> None:
    event = {"kind": "event", "slot": "A", "what": "supply off", "text": "", "prompt": None}
    lines[-1:-1] = [event | {name: lines[-1][name] for name in ("at", "t")}] * 2


def _never_made_safe(lines: Lines) -> None:
    lines[:] = [line for line in lines if line["kind"] != "made safe"]


def _passes_the_second_time(lines: Lines) -> None:
    at = _first(lines, "check ended", verdict="failed")
    end = lines[at]
    begun = {"kind": "check started", "v": 1, "check": end["check"], "at": end["at"], "t": end["t"]}
    lines[at + 1 : at + 1] = [begun, end | {"verdict": "passed", "why": "", "places": []}]


def _begun_twice(lines: Lines) -> None:
    at = _first(lines, "check started")
    lines.insert(at, lines[at])


def _without_its_stand_file(lines: Lines) -> None:
    lines[0]["inputs"] = [one for one in lines[0]["inputs"] if one["role"] != "stand file"]


def _without_a_sequence(lines: Lines) -> None:
    lines[0]["inputs"] = lines[0]["inputs"][:-1]
    lines[0]["options"]["sequences"] = lines[0]["options"]["sequences"][:-1]


def _with_a_sequence_more(lines: Lines) -> None:
    lines[0]["inputs"].append(lines[0]["inputs"][-1] | {"name": "test_mine.py"})


def _after_a_later_visit(lines: Lines) -> None:
    later = {"run": "x", "started": "2099-01-01T00:00:00+00:00", "stand": "s", "disposition": "ship"}
    lines[0]["units"][0]["earlier_runs"] = [later | {"findings": []}]


def _provoked_after_all(lines: Lines) -> None:
    at = max(number for number, line in enumerate(lines) if line["kind"] == "faults")
    fault = {"code": 0x71, "place": "q05", "time": None, "meaning": "", "cause": "", "remedy": ""}
    for line in lines:
        if line["kind"] == "check ended":
            line |= {"verdict": "passed", "why": "", "places": []}
    lines[-1]["exit_code"] = 0
    provoked = lines[at] | {"when": PROVOKED, "entries": [fault | {"routine": False}]}
    lines.insert(at + 1, provoked)


def _ships_with_an_open_interlock(lines: Lines) -> None:
    _failing_readings_taken_out(lines)
    event = {"kind": "event", "slot": "", "what": "interlock", "text": "the cover is open", "prompt": None}
    lines.insert(-2, event | {name: lines[-2][name] for name in ("at", "t")})


def _degrees_of_freedom(lines: Lines) -> None:
    _with_a_term(lines, degrees_of_freedom=3.0)


FORGED: list[tuple[Callable[[Lines], None], str]] = [
    (_passes_the_second_time, "anew, which had ended"),
    (_begun_twice, "anew, and nothing says why"),
    (_without_its_stand_file, "the stand file is not among the files of the run"),
    (_without_a_sequence, "ran, and its sequence is not among the files"),
    (_with_a_sequence_more, "and keeps "),
    (_after_a_later_visit, "began on 2099-01-01, after this one"),
    (_provoked_after_all, "is said to have provoked what the unit of slot A did not report"),
    (_ships_with_an_open_interlock, "ships, and an interlock stands open: the cover is open"),
    (_degrees_of_freedom, "other degrees of freedom than its terms make"),
    (_passes_with_a_reading_that_fails, "has passed, and its reading"),
    (_on_hardware, "which its stand file does not name"),
    (_asked_for_with_defects, "was asked for with a simulated stand"),
    (_ship, "ended with code 0, and its checks make it 1"),
    (_value, "is noted as conforms, and by its limits it fails"),
    (_uncertainty, "and by its limits it marginal"),
    (_limits, "and by its limits it fails"),
    (_rule, "is judged by another rule than its unit"),
    (_profile, "is not the one whose hash is noted"),
    (_sequence, "is not the one whose hash is noted"),
    (_end_deleted, ""),
    (_swapped, ""),
    (_check_doubled, "lets"),
    (_plan_doubled, "a second time"),
    (_reading_doubled_elsewhere, "which does not run then"),
    (_spliced, ""),
    (_earlier, "is earlier than the line before it"),
    (_dated_otherwise, "its date and its time of the run's clock do not fit"),
    (_goes_on, "stands after the end of the run"),
    (_never_begun, "which had not begun"),
    (_reading_in_words, "cannot be judged"),
    (_reading_without_uncertainty, "and by its limits it fails"),
    (_reading_doubled, "stands there twice"),
    (_half_a_character_doubled, "stands there twice"),
    (_safe_after_all, "the safe state is verified, and why it could not be"),
    (_never_made_safe, "with its stand under power"),
    (_failing_readings_taken_out, "and beside it stands a fault: before "),
    (_passed_and_why_not, "and beside it stands a fault: time to ready is 9 s"),
    (_of_another_slot, "holds a reading of slot B in a check of slot A"),
    (_coverage, "another coverage factor than its terms make"),
    (_probability, "with a probability of 1, not 0.5"),
    (_terms_taken_out, "with a coverage factor, and no terms"),
    (_switched_off_twice, "switches off a unit that was not on"),
]


def _soak_longer(lines: Lines) -> None:
    lines[_first(lines, "soak ended")]["since"] = 259200.0


def _soak_longer_by_its_clock_too(lines: Lines) -> None:
    at = _first(lines, "soak ended")
    more = 259200.0 - lines[at]["since"]
    lines[at]["since"] += more
    for line in lines[at:]:
        line["t"] += more
        line["at"] = (datetime.fromisoformat(line["at"]) + timedelta(seconds=more)).isoformat()


def _events_taken_out(lines: Lines) -> None:
    lines[:] = [line for line in lines if line["kind"] != "soak event"]


def _limits_of_samples(lines: Lines) -> None:
    check = lines[_first(lines, "soak started")]["check"]
    lines[_first(lines, "check ended", check=check)] |= {"verdict": "passed", "why": "", "places": []}
    lines[_first(lines, "soak ended")]["events"] = 0
    _events_taken_out(lines)
    lines[-1]["exit_code"] = 3
    columns = lines[_first(lines, "soak started")]["columns"]
    next(one for one in columns if one["name"] == "supply current")["low"] = 0.15


def _shorter_than_asked_for(lines: Lines) -> None:
    lines[_first(lines, "soak started")]["duration"] = 600.0


def _a_soak_with_events_passes(lines: Lines) -> None:
    check = lines[_first(lines, "soak started")]["check"]
    lines[_first(lines, "check ended", check=check)] |= {"verdict": "passed", "why": "", "places": []}


def _none_was_missed(lines: Lines) -> None:
    at = _first(lines, "soak ended")
    lines[at]["missed"] = 0
    missed = {"kind": "samples missed", "v": 1, "slot": "A", "count": 100}
    lines.insert(at, missed | {name: lines[at][name] for name in ("at", "t")})


def _other_frames(lines: Lines) -> None:
    ended = lines[_first(lines, "soak ended")]
    ended["ports"] = {"port 1": {"frames": 1000}}


def _surer(lines: Lines) -> None:
    lines[_first(lines, "soak started")]["confidence"] = 0.5


FORGED_SOAKS: list[tuple[Callable[[Lines], None], str]] = [
    (_a_soak_with_events_passes, "has passed, and 3 incidents are in the journal"),
    (_none_was_missed, "states 0 missed samples, and "),
    (_other_frames, "states other frames over its ports than were sealed"),
    (_surer, "states another confidence than its plan"),
    (_soak_longer, "which its clock does not"),
    (_soak_longer_by_its_clock_too, "and has samples of less"),
    (_events_taken_out, "states 3 events, and 0 are in the journal"),
    (_limits_of_samples, "has passed, and its samples leave the limits of supply current"),
    (_limits_of_samples, "has passed after "),
    (_shorter_than_asked_for, "was to last 600 s, and 2400 s were asked for"),
]


@pytest.mark.parametrize(("forge", "words"), FORGED, ids=[forge.__name__.strip("_") for forge, _ in FORGED])
def test_a_forged_journal_is_reported_as_what_it_is(
    run: Path, forge: Callable[[Lines], None], words: str
) -> None:
    """Its chain holds, and still it is not confirmed."""
    lines = _lines(run)
    forge(lines)
    _rewrite(run, lines)
    assert read_journal(run).broken == ""
    result = verify(run / "journal.jsonl", run)
    assert result.outcome is VerifyOutcome.DOES_NOT_MATCH, result.reported
    assert result.intact
    journal = read_journal(run)
    if words:
        assert any(words in one for one in contradictions(journal.entries, run_state(journal)))


def test_a_forged_journal_gets_no_papers(run: Path) -> None:
    """`report` tells it and makes neither certificate nor label of it; the records tell it, too."""
    lines = _lines(run)
    _passes_the_second_time(lines)
    _rewrite(run, lines)
    for papers, code in (((), 0), (("--certificate",), 2), (("--label",), 2)):
        done = warm.hilseq("report", str(run), *papers, cwd=run.parent)
        assert done.returncode == code
        assert "CAUTION: the journal contradicts itself, so that no run has written it" in done.stderr
    assert not [*run.glob("*.pdf"), *run.glob("label*")]
    with open_database(run.parent / "records.sqlite") as database:
        assert "the journal contradicts itself" in import_run(database, run).state_text


@pytest.mark.parametrize(
    ("forge", "words"), FORGED_SOAKS, ids=[forge.__name__.strip("_") for forge, _ in FORGED_SOAKS]
)
def test_a_forged_soak_is_reported_as_what_it_is(
    tmp_path: Path, forge: Callable[[Lines], None], words: str
) -> None:
    """Its chain and its seals hold, and what it says of its samples does not."""
    run = Path(shutil.copytree(DATA / "soak", tmp_path / "soak"))
    lines = _lines(run)
    forge(lines)
    _rewrite(run, lines)
    assert verify(run / "journal.jsonl", run).outcome is VerifyOutcome.DOES_NOT_MATCH
    journal = read_journal(run)
    state = run_state(journal)
    assert any(words in one for one in (*contradictions(journal.entries, state), *left_limits(state, run)))


@pytest.mark.parametrize(
    ("approved", "words"),
    [
        (plan_of(checks={"test_70_inputs.py::test_all[i01]": "inputs"}), "is left out, and the run says"),
        (plan_of("RH32"), "is that of another part than the unit's"),
        (plan_of().model_copy(update={"profile": "0" * 64}), "the profile of slot A is not the approved one"),
    ],
)
def test_what_a_run_did_is_held_against_its_plan(tmp_path: Path, approved: PlanContent, words: str) -> None:
    """Whoever takes a check out of the journal, or calls another plan the run's, contradicts the plan's text."""
    (header,) = read_journal(good_run(tmp_path / "run")).of(RunStarted)
    inputs = [one for one in header.inputs if not one.role.startswith("approved plan")]
    lines = _lines(tmp_path / "run")
    lines[0]["inputs"] = [one.model_dump() for one in (*inputs, plan_input("A", approved))]
    lines[_first(lines, "plan compared")]["identity"] = approved.identity
    _rewrite(tmp_path / "run", lines)
    journal = read_journal(tmp_path / "run")
    found = contradictions(journal.entries, run_state(journal))
    assert [words in one for one in found] == [True], found


def test_a_plan_that_was_edited_is_reported(tmp_path: Path) -> None:
    """Its identity is the hash of what it names."""
    good_run(tmp_path / "run")
    lines = _lines(tmp_path / "run")
    plan = next(one for one in lines[0]["inputs"] if one["role"].startswith("approved plan"))
    plan["text"] = plan["text"].replace('"checks": {}', '"checks": {"x": "inputs"}')
    plan["sha256"] = hashlib.sha256(plan["text"].encode()).hexdigest()
    _rewrite(tmp_path / "run", lines)
    result = verify(tmp_path / "run" / "journal.jsonl", tmp_path / "run")
    assert "is not the one whose identity it carries" in result.reported


def _waived(lines: Lines, verdict: str, value: float) -> None:
    """Have the profile waive a reading, as the run states it, that has this verdict."""
    reading = lines[_first(lines, "reading", verdict="conforms")]
    reading |= {"value": value, "verdict": verdict}
    words = (f"{reading['name']}, where this stand cannot tell: M. Frei",)
    stated = {
        "kind": "certificate",
        "v": 2,
        "slot": "A",
        "at": lines[0]["at"],
        "t": lines[0]["t"],
        "waived": words,
    }
    lines.insert(1, stated)


def test_a_waived_reading_may_stay_undecided_and_may_not_fail(run: Path) -> None:
    """Within the guard band it contradicts nothing; beyond the limit it does, whatever is waived."""
    lines = _lines(run)
    reading = lines[_first(lines, "reading", verdict="conforms")]
    at_the_limit, beyond = reading["high"] or reading["low"], 1e6
    for verdict, value, words in (
        ("marginal", at_the_limit, ""),
        ("fails", beyond, "has passed, and its reading"),
    ):
        lines = _lines(DATA / "repair")
        _waived(lines, verdict, value)
        _rewrite(run, lines)
        journal = read_journal(run)
        found = contradictions(journal.entries, run_state(journal))
        assert [words in one for one in found] == ([True] if words else []), found


def _of_shipped_files(lines: Lines) -> None:
    """Give a journal the stand file and the profile of today, and what it states of them."""
    given = {"stand file": STANDS / "sim-bench.yaml", "profile of slot A": STANDS / "units" / "rh16.yaml"}
    for one in lines[0]["inputs"]:
        if one["role"] in given:
            one["text"] = given[one["role"]].read_text("utf-8")
            one["sha256"] = hashlib.sha256(one["text"].encode()).hexdigest()
    lines[0]["units"][0]["description"] = load_profile(given["profile of slot A"]).description
    for line in lines:
        if line["kind"] == "instrument":
            supply = line["name"].startswith("supply")
            line |= {"due": "2099-12-31", "certificate": "SIM-PS-1" if supply else "SIM-IO-1"}


def _another_stand(lines: Lines) -> None:
    lines[0]["stand"] = "another"


def _calibrated_longer(lines: Lines) -> None:
    lines[_first(lines, "instrument")]["due"] = "2150-01-01"


def _by_another_certificate(lines: Lines) -> None:
    lines[_first(lines, "instrument")]["certificate"] = "better"


def _another_instrument(lines: Lines) -> None:
    lines[_first(lines, "instrument")]["identity"] = "Kestrowell, QUAD-36, 1, 1.0"


def _no_instrument(lines: Lines) -> None:
    lines[:] = [line for line in lines if line["kind"] != "instrument"]


def _described_otherwise(lines: Lines) -> None:
    lines[0]["units"][0]["description"] = "as new"


def _by_another_rule(lines: Lines) -> None:
    lines[0]["decision_rules"] = {"A": "simple"}


def _a_waived_reading(lines: Lines) -> None:
    _waived(lines, "conforms", lines[_first(lines, "reading", verdict="conforms")]["value"])


@pytest.mark.parametrize(
    ("forge", "words"),
    [
        (_another_stand, "its stand file is that of"),
        (_calibrated_longer, "is stated to be 2150-01-01, and by the stand file 2099-12-31"),
        (_by_another_certificate, "the certificate of supply main is stated to be better"),
        (_another_instrument, "is stated to be Kestrowell, QUAD-36, 1, 1.0, and by the stand file is "),
        (_no_instrument, "supply main was switched on, and the run does not state which instrument it is"),
        (_described_otherwise, "stated to be another than that of its profile"),
        (_by_another_rule, "states the decision rule `simple` for slot A, and the profile `guarded`"),
        (_a_waived_reading, "another content of `waived readings and calibrations` than its files"),
    ],
)
def test_what_is_stated_from_files_is_held_against_them(
    run: Path, forge: Callable[[Lines], None], words: str
) -> None:
    """Stand file and profile stand in the journal word for word; whoever leaves them and states otherwise is found."""
    lines = _lines(run)
    _of_shipped_files(lines)
    _rewrite(run, lines)
    assert contradicts_its_files(run_state(read_journal(run))).wrong == []
    forge(lines)
    _rewrite(run, lines)
    found = contradicts_its_files(run_state(read_journal(run))).wrong
    assert any(words in one for one in found), found
    reported = verify(run / "journal.jsonl", run, restated=contradicts_its_files)
    assert reported.outcome is VerifyOutcome.DOES_NOT_MATCH


@pytest.fixture(scope="module", name="visited")
def _visited(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One visit as today's hilseq makes it: modes and outputs of a unit with an output that is stuck on."""
    place = tmp_path_factory.mktemp("forged")
    sequences = [
        str(STANDS.parent / "sequences" / name) for name in ("test_50_modes.py", "test_60_outputs.py")
    ]
    line = [
        "run",
        *sequences,
        "--stand",
        str(STANDS / "sim-bench.yaml"),
        "--unit",
        "RH16",
        "--serial",
        "RH-7",
    ]
    done = warm.hilseq(*line, "--simulate", "--defect", "output-stuck-on@q05", "--out", "visit", cwd=place)
    assert done.returncode == 1, done.stdout + done.stderr
    return place / "visit"


def _clean(lines: Lines) -> None:
    _failing_readings_taken_out(lines)
    lines[:] = [line for line in lines if line.get("what") not in (STAND_ASKED, REPEATED)]


def _wider(lines: Lines) -> None:
    lines[_first(lines, "reading", name="time to change")]["high"] *= 2.0


def _sure_of_itself(lines: Lines) -> None:
    reading = lines[_first(lines, "reading", name="time to change")]
    reading |= {"uncertainty": None, "terms": [], "coverage_factor": None, "degrees_of_freedom": None}


def _says_more(lines: Lines) -> None:
    lines[_first(lines, "check planned", stage="modes")]["sentence"] = "Everything about the unit is right."


def _called_otherwise(lines: Lines) -> None:
    lines[_first(lines, "check planned", stage="modes")]["title"] = "Everything"


def _measures_all(lines: Lines) -> None:
    lines[0]["units"][0]["unmeasured"] = []


def _not_here(lines: Lines) -> None:
    lines[_first(lines, "plan compared")]["not_on_stand"] = ["test_60_outputs.py::test_follows[q05]"]
    lines[:] = [line for line in lines if line.get("check") != "test_60_outputs.py::test_follows[q05]"]


@pytest.mark.parametrize(
    ("forge", "words"),
    [
        (_clean, "its sequence judges switching delay, of which there is no reading"),
        (_wider, "time to change of test_50_modes.py::test_reaches[stopped] was judged by other limits"),
        (_sure_of_itself, "does not state what its uncertainty is made of"),
        (_says_more, "is said to show something else than its sequence says"),
        (_called_otherwise, "is called otherwise than in its sequence"),
        (_measures_all, "states of other claims that slot A cannot measure them than its files"),
        (_not_here, "is said not to be possible on this stand, which has all that it takes"),
    ],
)
def test_what_sequences_say_is_held_against_their_text(
    visited: Path, tmp_path: Path, forge: Callable[[Lines], None], words: str
) -> None:
    """The text of each sequence stands in the journal: what a check that passed must have recorded, by which limits."""
    run = Path(shutil.copytree(visited, tmp_path / "visit"))
    lines = _lines(run)
    forge(lines)
    _rewrite(run, lines)
    found = contradicts_its_files(run_state(read_journal(run))).wrong
    assert any(words in one for one in found), found


def _without_power(lines: Lines) -> None:
    lines[:] = [line for line in lines if line.get("what") not in (SUPPLY_ON, SUPPLY_OFF)]
    at = lines[_first(lines, "check ended", verdict="passed")]
    lines.insert(
        _first(lines, "check ended", verdict="passed"),
        {"kind": "faults", "v": 1, "slot": "A", "when": "before", "entries": []}
        | {k: at[k] for k in ("at", "t")},
    )


def _longer_than_it_took(lines: Lines) -> None:
    next(line for line in lines if line.get("seconds", 0) > 3.0)["seconds"] = 90.0


def _without_its_io(lines: Lines) -> None:
    del lines[_first(lines, "instrument", name="io rack")]


def _without_its_paper(lines: Lines) -> None:
    del lines[_first(lines, "certificate")]


def _without_its_causes(lines: Lines) -> None:
    del lines[_first(lines, "causes")]


def _with_no_seed(lines: Lines) -> None:
    lines[0]["seed"] = None


def _answered_otherwise(lines: Lines) -> None:
    event = lines[_first(lines, "event")]
    event |= {
        "what": "answered",
        "prompt": {"question": "Is it lit?", "expected": ["yes", "no"], "answer": "maybe"},
    }


def _in_another_slot(lines: Lines) -> None:
    lines[:] = json.loads(json.dumps(lines).replace('"slot": "A"', '"slot": "B"').replace("slot A", "slot B"))
    lines[0]["decision_rules"] = {"B": "guarded"}


def _without_the_soak_that_was_asked_for(lines: Lines) -> None:
    text = "def test_soaks(soak):\n    soak()\n"
    digest = hashlib.sha256(text.encode()).hexdigest()
    soak = {"role": "sequence", "name": "test_95_soak.py", "text": text, "sha256": digest}
    lines[0]["inputs"].append(soak)
    lines[0]["options"] |= {"soak": True, "sequences": [*lines[0]["options"]["sequences"], "test_95_soak.py"]}


@pytest.mark.parametrize(
    ("forge", "words"),
    [
        (_without_power, "faults of the unit of slot A were read, and it was never switched on"),
        (_longer_than_it_took, "states 90 s, and took "),
        (_without_its_io, "and the run does not state which instrument io rack is"),
        (_without_its_paper, "states nothing of what the certificate of slot A is to say"),
        (_without_its_causes, "states other causes for slot A than the profile"),
        (_with_no_seed, "was asked for with a simulated stand, and states no seed"),
        (_answered_otherwise, "holds an answer that is not taken: 'maybe'"),
        (_in_another_slot, "is stated to be in slot B, which the stand file does not have"),
        (
            _without_the_soak_that_was_asked_for,
            "a soak was asked for, and test_95_soak.py::test_soaks is not planned",
        ),
    ],
)
def test_what_every_visit_writes_is_missed(
    visited: Path, tmp_path: Path, forge: Callable[[Lines], None], words: str
) -> None:
    """What was taken out, or stated so that no visit writes it."""
    run = Path(shutil.copytree(visited, tmp_path / "visit"))
    lines = _lines(run)
    forge(lines)
    _rewrite(run, lines)
    journal = read_journal(run)
    state = run_state(journal)
    found = [*contradictions(journal.entries, state), *contradicts_its_files(state).wrong]
    assert any(words in one for one in found), found


def test_a_sequence_that_is_nested_deeply_is_read(visited: Path, tmp_path: Path) -> None:
    """Texts of sequences come from whoever wrote the journal."""
    run = Path(shutil.copytree(visited, tmp_path / "visit"))
    lines = _lines(run)
    sequence = next(one for one in lines[0]["inputs"] if one["name"] == "test_50_modes.py")
    deep = f"    taken = judge{'.b' * 900}()\n"
    sequence["text"] = sequence["text"].replace("    judge(", f"{deep}    judge(")
    sequence["sha256"] = hashlib.sha256(sequence["text"].encode()).hexdigest()
    _rewrite(run, lines)
    assert contradicts_its_files(run_state(read_journal(run))).wrong == []


def test_another_temperature_than_at_the_unit_is_reported(visited: Path, tmp_path: Path) -> None:
    """How warm it is around the instruments and around the unit, as a visit writes both, fits together."""
    run = Path(shutil.copytree(visited, tmp_path / "visit"))
    journal = read_journal(run)
    assert contradictions(journal.entries, run_state(journal)) == []
    lines = _lines(run)
    lines[_first(lines, "event", what=AMBIENT)]["text"] = "4.0 \u00b0C around the instruments"
    _rewrite(run, lines)
    journal = read_journal(run)
    (found,) = contradictions(journal.entries, run_state(journal))
    assert found.startswith("it was 4 \u00b0C around the instruments, and ")


def test_a_stand_file_that_cannot_be_read_is_reported(tmp_path: Path) -> None:
    """Whoever spoils the stand file in a journal keeps it from being compared: a certificate is then not confirmed."""
    run = good_run(tmp_path / "run")
    result = verify(run / "journal.jsonl", run, restated=contradicts_its_files)
    assert result.outcome is VerifyOutcome.CANNOT_TELL
    assert "its stand file is none that this hilseq reads" in result.lines()[1]


def test_a_plan_is_stated_as_it_was_approved(tmp_path: Path) -> None:
    """Revision, who, when and why are those of the plan's text."""
    good_run(tmp_path / "run")
    lines = _lines(tmp_path / "run")
    lines[_first(lines, "plan compared")]["approved_by"] = "the customer"
    _rewrite(tmp_path / "run", lines)
    result = verify(tmp_path / "run" / "journal.jsonl", tmp_path / "run")
    assert "was approved by others, or otherwise, than the run states" in result.reported


@pytest.mark.parametrize("name", sorted(path.name for path in DATA.iterdir()))
def test_what_runs_have_written_contradicts_nothing(name: str) -> None:
    """Journals of earlier versions too, cut off or whole."""
    journal = read_journal(DATA / name)
    assert contradictions(journal.entries, run_state(journal)) == []
    assert contradicts_its_files(run_state(journal)).wrong == []


# -- signatures --------------------------------------------------------------------------------------------


@pytest.fixture
def keys(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return the folder of the keys of this test."""
    monkeypatch.setenv("HILSEQ_KEYS", str(tmp_path / "keys"))
    return tmp_path / "keys"


def _sign(run: Path, lines: int | None = None, *, final: bool = True) -> None:
    journal = read_journal(run)
    state = run_state(journal)
    count = len(journal.links) if lines is None else lines
    Signer(run, state.stand, state.run, stand_key(state.stand)).head(
        count, journal.links[count - 1], final=final
    )


def _known(run: Path) -> dict[str, str]:
    stand = run_state(read_journal(run)).stand
    return {stand_key(stand).public: stand}


def _verified(run: Path, known: dict[str, str]) -> Verification:
    return verify(run / "journal.jsonl", run, known=known)


@pytest.mark.usefixtures("keys")
def test_who_has_signed_one_that_is_not_intact(run: Path) -> None:
    """The answers are given each for itself: one that has no end is signed as far as it goes, or was cut."""
    _sign(run, 5, final=False)
    lines = (run / "journal.jsonl").read_bytes().splitlines(keepends=True)
    (run / "journal.jsonl").write_bytes(b"".join(lines[:7]))
    growing = _verified(run, _known(run))
    assert growing.outcome is VerifyOutcome.DOES_NOT_MATCH
    assert growing.intact.startswith("not whole")
    assert growing.signed.reported.startswith("up to line 5 of 7 only")
    (run / "journal.jsonl").write_bytes(b"".join(lines[:4]))
    cut = _verified(run, _known(run))
    assert cut.signed.answer is Trust.CONTRADICTS
    (run / "journal.jsonl").write_bytes(lines[0] + lines[2])
    assert "not looked at" in _verified(run, _known(run)).signed.reported


@pytest.mark.usefixtures("keys")
def test_who_has_signed(run: Path) -> None:
    """Known, unknown, nobody; and heads of each minute on the way."""
    assert _verified(run, _known(run)).signed.answer is Trust.NONE
    _sign(run, 5, final=False)
    _sign(run)
    assert _verified(run, {}).signed.answer is Trust.UNKNOWN
    known = _verified(run, _known(run))
    assert known.outcome is VerifyOutcome.MATCHES
    assert (known.signed.answer, "by the known stand" in known.signed.reported) == (Trust.KNOWN, True)
    assert "genuine" not in " ".join(known.lines())


def _change_a_reading(run: Path) -> None:
    lines = _lines(run)
    lines[_first(lines, "reading", verdict="conforms")]["probability"] = 0.5
    _rewrite(run, lines)


def _cut_the_end(run: Path) -> None:
    lines = _lines(run)
    del lines[_first(lines, "event", what="safe state")]
    _rewrite(run, lines)


def _change_a_head(run: Path) -> None:
    text = (run / SIGNATURES).read_text("ascii")
    (run / SIGNATURES).write_text(text.replace('"lines":', '"lines":1'), "ascii")


def _spoil_a_head(run: Path) -> None:
    with (run / SIGNATURES).open("a") as file:
        file.write("{}\n")


def _end_a_line_otherwise(run: Path) -> None:
    (run / SIGNATURES).write_bytes((run / SIGNATURES).read_bytes()[:-1] + b"\r")


def _tear_a_line(run: Path) -> None:
    with (run / SIGNATURES).open("ab") as file:
        file.write(b'{"kind":"head","stand":"')


def _of_another_run(run: Path) -> None:
    head = json.loads((run / SIGNATURES).read_text("ascii").splitlines()[0])
    stand = head["stand"]
    (run / SIGNATURES).unlink()
    Signer(run, stand, "another", stand_key(stand)).head(head["lines"], head["chain"], final=True)


def _with_the_summary_of_another(run: Path) -> None:
    stand = run_state(read_journal(run)).stand
    Signer(run, stand, run_state(read_journal(run)).run, stand_key(stand)).summary(
        "A", f"HILSEQ2|RH16|{'0' * 64}"
    )


def _by_two_keys(run: Path) -> None:
    stand = run_state(read_journal(run)).stand
    key_file(stand).unlink()
    _sign(run)


@pytest.mark.usefixtures("keys")
@pytest.mark.parametrize(
    ("forge", "words"),
    [
        (_change_a_reading, "the journal was rewritten"),
        (_cut_the_end, "the journal is cut off: the stand signed"),
        (_with_the_summary_of_another, "a signed summary beside the journal is that of another journal"),
        (_change_a_head, "not that of its key"),
        (_spoil_a_head, "is damaged"),
        (_end_a_line_otherwise, "is torn"),
        (_tear_a_line, "is torn"),
        (_of_another_run, "are those of the run another"),
        (_by_two_keys, "by more than one key"),
    ],
)
def test_what_was_signed_cannot_be_rewritten(run: Path, forge: Callable[[Path], None], words: str) -> None:
    """Without the stand's key a journal that is intact in itself contradicts its signatures."""
    _sign(run)
    known = _known(run)
    forge(run)
    result = _verified(run, known)
    assert result.outcome is VerifyOutcome.DOES_NOT_MATCH
    assert words in result.reported + result.signed.reported


@pytest.mark.usefixtures("keys")
def test_a_torn_signature_spoils_none_that_follows(run: Path) -> None:
    """A computer that stopped while it signed: whoever goes on takes the torn line off, and signs behind whole ones."""
    _sign(run, 5, final=False)
    _tear_a_line(run)
    _sign(run)
    assert _verified(run, _known(run)).signed.answer is Trust.KNOWN


@pytest.mark.usefixtures("keys")
def test_whoever_drops_the_signatures_has_none(run: Path) -> None:
    """A journal rewritten in everything that fits together, signed by nobody or by a stranger, is said to be so."""
    _sign(run)
    known = _known(run)
    _change_a_reading(run)
    (run / SIGNATURES).unlink()
    assert _verified(run, known).signed.answer is Trust.NONE
    key_file(run_state(read_journal(run)).stand).unlink()
    _sign(run)
    assert _verified(run, known).signed.answer is Trust.UNKNOWN


def test_a_key_is_its_users_only(keys: Path, tmp_path: Path) -> None:
    """Made once, mode 600; one that others can read, or that is none, signs nothing; lists are read line by line."""
    from hilseq.errors import UsageError

    key = stand_key("bench / 1")
    assert stand_key("bench / 1").public == key.public
    (file,) = keys.iterdir()
    assert file.stat().st_mode & 0o777 == 0o600
    file.chmod(0o640)
    with pytest.raises(UsageError, match="can be read by others"):
        stand_key("bench / 1")
    file.chmod(0o600)
    file.write_bytes(b"no key")
    with pytest.raises(UsageError, match="holds no key"):
        stand_key("bench / 1")
    listed = tmp_path / "stands.txt"
    listed.write_text(f"# ours\nbench / 1 {key.public}\n", encoding="utf-8")
    assert known_stands(listed) == {key.public: "bench / 1"}
    listed.write_text("bench AAAA\n", encoding="utf-8")
    with pytest.raises(UsageError, match=r"stands.txt:1: expected NAME KEY"):
        known_stands(listed)
