"""What the page of a unit says, and what it must never do."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

from hilseq.journal.reader import read_journal, run_state
from hilseq.reports.page import render
from tests.journals import STAND_TEXT, prior_run

Page = Callable[..., str]
Read = Callable[[str], Any]


def test_a_good_unit_reads_ship_before_anything_else(good: Path, page_of: Page, read_page: Read) -> None:
    said = read_page(page_of(good)).said()
    assert said.index("ship RH16 RH0001 All 17 checks of the full set passed. The unit may ship.") < 100
    assert "Everything of the full set was performed." in said
    assert "Why" not in said.split("Where")[0]


def test_a_bad_unit_reads_repair_then_where_and_why_in_words(
    bad: Path, page_of: Page, read_page: Read
) -> None:
    said = read_page(page_of(bad)).said()
    first, _, _ = said.partition("Checks")
    assert "repair RH16 RH0001 3 of 38 checks failed. The unit goes to repair." in first
    assert "q05 : voltage drop is 2.31 V ± 0.03 V, outside its limits (at most 0.8 V)" in first
    assert "q07, q08 : q07 and q08 are shorted" in first
    assert "output overloaded at q05, q08 . Likely cause: short circuit" in first.replace("q08.", "q08 .")
    assert "What to do: replace the driver." in first


def test_each_section_of_the_evidence_is_there(bad: Path, page_of: Page, read_page: Read) -> None:
    page = read_page(page_of(bad))
    said = page.said()
    for words in (
        "108.3 mA ± 1.2 mA",  # a reading in the unit a technician uses
        "85 to 135 mA",
        "too near a limit to decide , chance that the true value is inside: 78.8 %",
        "0x21 (33)",
        "11 h 42 min",
        "before clearing (2026-11-25 08:00:01 UTC)",
        "the table was empty",
        "new",  # the fault at q08 was not there before
        "2 checks , because the gate 'The unit is ready in time' was failed before it",
        "60 of 60 starts succeeded",
        "the unit was off for 10 s",
        "by the run, read back and verified",
        "Ombrella,PS-3203,77,1.0",
        "in calibration",
        "OVERDUE",
        "Guarded acceptance",
        "at most 2.5 % per reading",
        "lithium cells",
        "WO-4711",
        "stand.yaml",
        sha256(STAND_TEXT.encode()).hexdigest(),
        "sound when this page was made",
    ):
        assert words.casefold() in said.casefold(), words


def test_a_fault_that_the_stand_provoked_gives_no_advice(story: Any, page_of: Page, read_page: Read) -> None:
    """Wherever it is read, it is marked so, and its cause and remedy are nowhere on the page."""
    fault = {"code": 0x31, "place": "head", "time": 9.0, "meaning": "supply too low"}
    fault |= {"cause": "aged capacitors", "remedy": "replace them"}
    reported = story()
    reported.check("A check")
    reported.faults("after clearing", [])
    reported.faults("before the soak", [fault])
    reported.faults("provoked by the stand", [fault])
    said = read_page(page_of(reported.end())).said()
    assert said.count("0x31 (49) provoked by the stand") == 2
    assert "aged capacitors" not in said
    assert "replace them" not in said


def test_the_simple_rule_is_said_to_be_simple(story: Any, page_of: Page, read_page: Read) -> None:
    reported = story(decision_rules={"A": "simple"})
    reported.check("A check", readings=[{"rule": "simple"}])
    page = page_of(reported.end())
    assert "Simple acceptance" in read_page(page).said()
    assert 'class="guard"' not in page


def test_a_simulated_stand_is_never_mistaken_for_a_real_one(
    story: Any, page_of: Page, read_page: Read
) -> None:
    reported = story(simulated=True)
    reported.check("A check")
    assert "No real unit was tested" in read_page(page_of(reported.end())).said()


@pytest.mark.parametrize("how", ["killed", "torn", "interrupted", "changed"])
def test_a_run_that_did_not_finish_never_looks_complete(
    story: Any, page_of: Page, read_page: Read, how: str
) -> None:
    reported = story()
    reported.check("The one check")
    folder = reported.end(interrupted=True) if how == "interrupted" else reported.end()
    journal = folder / "journal.jsonl"
    lines = journal.read_bytes().splitlines(keepends=True)
    if how == "killed":
        journal.write_bytes(b"".join(lines[:-1]))
    if how == "torn":
        journal.write_bytes(b"".join(lines[:-1]) + lines[-1][:30])
    if how == "changed":
        journal.write_bytes(b"".join(lines[:-1]) + lines[-1].replace(b"exit_code", b"exit_cod3"))
    page = read_page(page_of(folder))
    said = page.said()
    assert "This run did not finish" in said
    assert "Nothing on this page releases the unit." in said
    assert said.index("This run did not finish") < said.index("incomplete RH16")
    assert "may ship." not in said
    record = run_state(read_journal(folder))
    assert str(record.final(record.units[0])) == "incomplete"
    assert record.final_exit_code == 3
    if how == "torn":
        assert "30 bytes are left out" in said
    if how == "changed":
        assert "line 7 was changed" in said


def test_a_stand_that_was_not_verified_safe_is_said_loudly_and_releases_nothing(
    story: Any, page_of: Page, read_page: Read
) -> None:
    reported = story()
    reported.check("The one check")
    said = read_page(page_of(reported.end(4, safe=False))).said()
    assert "The stand was not verified safe" in said
    assert "stand fault RH16" in said
    assert "output still on" in said


def test_a_stand_fault_says_nothing_against_the_unit(story: Any, page_of: Page, read_page: Read) -> None:
    reported = story()
    reported.check(
        "The output follows",
        verdict="stand fault",
        why="the I/O simulator did not answer within 1 s",
        places=["io rack"],
    )
    said = read_page(page_of(reported.end(4))).said()
    assert "There is no verdict about the unit" in said
    assert "io rack : the I/O simulator did not answer" in said


def test_earlier_runs_are_shown_and_said_not_to_be_verified(
    good: Path, page_of: Page, read_page: Read
) -> None:
    before = prior_run(run="r1", stand="other-bench", findings=("q05: dead", "q06: dead"))
    page = read_page(page_of(good, earlier=[before]))
    assert "other-bench repair q05: dead; q06: dead" in page.said()
    assert "This is visit number 2." in page.said()
    data = next(text for attributes, text in page.scripts if attributes.get("id") == "earlier-runs")
    assert json.loads(data)[0]["run"] == "r1"


def test_the_page_asks_nothing_of_any_other_machine(bad: Path, page_of: Page, read_page: Read) -> None:
    text = page_of(bad)
    page = read_page(text)
    for tag, attributes in page.tags:
        assert tag not in {"link", "img", "iframe", "object", "embed", "base", "form", "image", "use"}, tag
        for name, value in attributes.items():
            assert name != "style"
            assert not name.startswith("on")
            assert name not in {"src", "srcset", "data", "action", "xlink:href"}, (tag, name)
            if name == "href":
                assert value.startswith("#")
    assert "url(" not in "".join(page.styles)
    assert "@import" not in "".join(page.styles)
    assert "http://" not in text.replace("http://www.w3.org/2000/svg", "")
    assert "https://" not in text


def test_the_policy_admits_the_page_s_own_style_and_script_and_nothing_else(
    bad: Path, page_of: Page, read_page: Read
) -> None:
    page = read_page(page_of(bad))
    policy = next(
        attributes["content"] for _, attributes in page.tags if attributes.get("http-equiv") is not None
    )
    assert policy.startswith("default-src 'none';")
    assert "unsafe" not in policy
    admitted = set(re.findall(r"'sha256-([^']+)'", policy))
    parts = ["".join(page.styles)]
    parts += [text for attributes, text in page.scripts if "type" not in attributes]
    for part in parts:
        assert base64.b64encode(hashlib.sha256(part.encode()).digest()).decode() in admitted


def test_every_drawing_says_in_words_what_it_shows(bad: Path, page_of: Page, read_page: Read) -> None:
    page = read_page(page_of(bad))
    drawings = [
        attributes for tag, attributes in page.tags if tag == "svg" and "window" not in attributes["class"]
    ]
    assert len(drawings) >= 20
    assert all(attributes["role"] == "img" and attributes["aria-label"] for attributes in drawings)
    assert any("2310 mV ± 30 mV, limits at most 800 mV: outside" in a["aria-label"] for a in drawings)


def test_every_link_inside_the_page_has_its_end(bad: Path, page_of: Page, read_page: Read) -> None:
    page = read_page(page_of(bad))
    links = [attributes["href"][1:] for tag, attributes in page.tags if tag == "a"]
    assert links
    assert set(links) <= set(page.ids)


def test_the_same_journal_makes_the_same_page(bad: Path) -> None:
    one, two = (run_state(read_journal(bad)) for _ in range(2))
    assert render(one, one.units[0]) == render(two, two.units[0])


def test_a_run_of_many_checks_is_reported_in_few_words(story: Any, page_of: Page, read_page: Read) -> None:
    reported = story()
    for number in range(64):
        reported.check("The output follows", stage="outputs", place=f"q{number:02d}")
    reported.check("One more", verdict="failed", why="broken")
    for number in range(64):
        reported.check(
            "The input follows",
            stage="inputs",
            place=f"i{number:02d}",
            verdict="not performed",
            why="the gate 'One more' was failed before it",
        )
    said = read_page(page_of(reported.end(1))).said()
    assert said.count("The output follows") == 1
    assert said.count("the gate 'One more' was failed before it") == 2
    assert "i04 and 59 more" in said


def test_many_happenings_of_a_kind_in_a_row_become_one_line(
    story: Any, page_of: Page, read_page: Read
) -> None:
    reported = story()
    reported.check("A check")
    for mode in ("stopped", "held", "live", "stopped", "live"):
        reported.clock.sleep(1.0)
        reported.event("mode", mode)
    reported.event("interlock", "the protective cover is open")
    said = read_page(page_of(reported.end())).said()
    assert "1.85 s to 5.85 s mode 5 times: stopped, held, live" in said
    assert "interlock the protective cover is open" in said


def test_checks_at_the_same_place_are_distinguished_by_what_they_do(
    story: Any, page_of: Page, read_page: Read
) -> None:
    reported = story()
    reported.check("The unit goes from each mode to each other", place="mode held", name="stopped to held")
    reported.check(
        "The unit goes from each mode to each other",
        place="mode held",
        name="live to held",
        verdict="failed",
        why="it did not",
    )
    said = read_page(page_of(reported.end(1))).said()
    assert "Passed at stopped to held; see below for the others." in said
    assert "live to held it did not" in said


def test_what_failed_is_open_and_what_passed_is_folded(bad: Path, page_of: Page) -> None:
    """A person reads in a minute what matters; everything else is one click away, and in the text."""
    text = page_of(bad)
    folded = "".join(re.findall(r"<details><summary>.*?</details>\n</section>", text, re.DOTALL))
    assert "The output follows" in folded
    assert "The output drops little when on" not in folded
    assert "The port carries frames both ways" in folded


def test_one_thing_found_by_several_checks_is_said_once(story: Any, page_of: Page, read_page: Read) -> None:
    reported = story()
    for title, place in (
        ("Configuration kept", "memory"),
        ("Configuration kept for long", "memory"),
        ("Output follows", "memory"),
    ):
        reported.check(title, place=place, verdict="failed", why="two words differ")
    said = read_page(page_of(reported.end(1))).said()
    assert "memory : two words differ found by: Configuration kept ; " in said
    assert "Configuration kept for long ; Output follows" in said


def test_where_nothing_was_done_nothing_is_counted_as_done(
    story: Any, page_of: Page, read_page: Read
) -> None:
    reported = story()
    for number in range(3):
        reported.check("A check", place=f"q{number}", verdict="not performed", why="the stand was not ready")
    said = read_page(page_of(reported.end(3))).said()
    assert "None of 3 checks was performed." in said
    assert "3 of 3" not in said


def test_a_check_that_left_a_reading_too_near_its_limit_was_not_decided(
    story: Any, page_of: Page, read_page: Read
) -> None:
    """It counts as not performed; whoever sees its reading is not told that nothing was done."""
    reported = story()
    near = {"name": "drop", "value": 0.79, "unit": "V", "uncertainty": 0.02, "low": None, "high": 0.8}
    why = "drop is 0.79 V, so near its limits that this stand cannot tell"
    reported.check("A check", place="q01", verdict="not performed", why=why, readings=[near])
    reported.check("A check", place="q02", verdict="not performed", why="no power")
    said = read_page(page_of(reported.end(3))).said()
    assert "1 not decided, 1 not performed" in said
