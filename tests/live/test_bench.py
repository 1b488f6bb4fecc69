"""The board of a stand: every slot with its unit, and who must do what next, in a terminal and in a browser."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from hilseq.analysis.limits import ReadingVerdict
from hilseq.cli.watch import watch_command
from hilseq.journal.entries import EventLogged, InputFile, Reading
from hilseq.journal.event_names import CONDITIONS, MODE_REACHED, SUPPLY_ON
from hilseq.live.bench_presenter import bench_reported, note_taken_out, slots_of
from hilseq.live.follower import RunsFolder
from hilseq.reports.bench_lines import board_lines
from tests.live.conftest import RunStory, Served, going_run, whole_run

if TYPE_CHECKING:
    from tests.chromium import Browser

STANDS = Path(__file__).parents[2] / "stands"
RACK = (STANDS / "rack-bench.yaml").read_text(encoding="utf-8")
STAND: dict[str, Any] = {
    "stand": "rack-bench",
    "inputs": (InputFile(role="stand file", name="s.yaml", sha256="0" * 64, text=RACK),),
}


def fill(runs: Path) -> RunStory:
    """Write runs in five slots: soaking, just begun, done in three ways; return the one that soaks."""
    soaking = going_run(runs / "1-soak", serial="RH-000101", slot="A", **STAND)
    soaking.sample(30)
    begun = RunStory(runs / "2-begun", serial="RH-000102", slot="B", **STAND)
    begun.plan(*((("outputs", "The output follows", f"q{n:02d}")) for n in range(16)))
    for number in range(4):
        begun.check("outputs", f"q{number:02d}")
    begun.begin("outputs", "q04")
    for what, text in (
        (CONDITIONS, "case 31.2 \u00b0C, around 30.0 \u00b0C"),
        (SUPPLY_ON, "24 V"),
        (MODE_REACHED, "held"),
    ):
        begun.note(EventLogged(what=what, text=text, slot="B"))
    drawn = {
        "name": "idle current",
        "value": 0.1083,
        "unit": "A",
        "low": 0.085,
        "high": 0.135,
        "uncertainty": 1e-4,
    }
    begun.note(Reading(check="outputs:q04", slot="B", verdict=ReadingVerdict.CONFORMS, **drawn))
    whole_run(runs / "3-good", serial="RH-000103", slot="C", **STAND)
    whole_run(runs / "4-old", serial="RH-000099", slot="D", **STAND)
    time.sleep(0.01)  # what is shown is the newest of a slot
    whole_run(runs / "5-bad", "failed", serial="RH-000104", slot="D", **STAND)
    whole_run(runs / "6-fault", "stand fault", serial="RH-000105", slot="E", **STAND)
    return soaking


def test_the_slots_of_a_stand_file_come_with_its_ranges() -> None:
    """Eight slots written once; a text that is no stand file has none."""
    assert slots_of(RACK) == list("ABCDEFGH")
    assert slots_of("slots: [") == slots_of("stand: x") == []


def test_every_slot_says_what_goes_on_and_who_must_act(runs: Path) -> None:
    """The newest run of each slot counts; a unit that is done tells what to do with it; the rest is free."""
    fill(runs)
    reported = bench_reported(RunsFolder(runs), "rack-bench")
    assert reported is not None
    places = {place["slot"]: place for place in reported["slots"]}
    assert list(places) == list("ABCDEFGH")
    assert (places["A"]["unit"], places["A"]["stage"], places["A"]["mode"]) == (
        "RH16 RH-000101",
        "soak",
        "live",
    )
    assert (places["A"]["left"], places["A"]["current"]) == ("59 min 31 s", "214.3 mA") or places["A"]["left"]
    assert (places["B"]["stage"], places["B"]["done"], places["B"]["planned"]) == ("outputs", 4, 16)
    assert places["B"]["left"].startswith("about ")
    seen = [places["B"][key] for key in ("mode", "current", "temperature")]
    assert seen == ["held", "108 mA", "31.2 \u00b0C"]
    assert [places[slot]["disposition"]["code"] for slot in "CDE"] == ["ship", "repair", "stand-fault"]
    assert places["D"]["unit"] == "RH16 RH-000104"
    assert reported["free"] == list("FGH")
    assert reported["next"] == [
        "slot C is done: SHIP, take it out",
        "slot D is done: REPAIR, take it out and repair what the report names",
        "slot E is done: STAND FAULT, repair the stand, then test the unit again",
    ]


def test_a_unit_that_was_taken_out_leaves_its_slot_free(runs: Path) -> None:
    """What the station notes in the folder of its run; who soaks meanwhile is in the slot all the same."""
    fill(runs)
    for run in ("1-soak", "3-good"):
        note_taken_out(runs / run, "A. Tester")
    reported = bench_reported(RunsFolder(runs), "rack-bench")
    assert reported is not None
    assert reported["free"] == list("CFGH")
    assert [words[:6] for words in reported["next"]] == ["slot D", "slot E"]


def test_the_board_fits_a_terminal(runs: Path) -> None:
    """A line for each slot, one more for what a soak measures, none above 80 columns."""
    fill(runs)
    reported = bench_reported(RunsFolder(runs), "rack-bench")
    assert reported is not None
    lines = [line.plain for line in board_lines(reported)]
    assert all(len(line) <= 80 for line in lines), "\n".join(lines)
    assert any(line.startswith("  C    SHIP") for line in lines)
    assert any("mode live" in line and "left" in line for line in lines)
    assert "  free: F, G, H" in lines


def test_a_stand_that_nobody_knows_has_no_board(runs: Path, served: Served) -> None:
    """The address of a stand without a run is reported as that; the list names the stands that there are."""
    fill(runs)
    assert served.ask("/stands/other")[0] == 404
    assert '<a href="/stands/rack-bench">' in served.ask("/")[2]
    assert "slot C is done: SHIP, take it out" in served.ask("/stands/rack-bench")[2]


@pytest.mark.browser
@pytest.mark.timeout(180)
@pytest.mark.parametrize("width", [1600, 390])
def test_the_board_follows_every_slot(
    browser: Browser, served: Any, runs: Path, width: int, tmp_path: Path
) -> None:
    """Large, whole in its window, and up to date by itself: a slot that ends says so without a reload."""
    story = fill(runs)
    browser.open(f"{served.address}/stands/rack-bench", width)
    words = "[...document.querySelectorAll('.place-word')].map(n => n.textContent.trim().slice(2)).join()"
    wanted = "under test,under test,ship,repair,stand fault,free,free,free"
    until(browser, words, lambda said: said == wanted)
    assert browser.value("document.documentElement.scrollWidth") <= width
    size = "parseFloat(getComputedStyle(document.querySelector('.place-slot')).fontSize)"
    assert browser.value(size) >= 40
    story.finish("soak", "soak")
    story.check("disposition", "configuration")
    story.end()
    until(browser, words, lambda said: said.startswith("ship,"))
    until(
        browser, "document.querySelector('#to-do').textContent", lambda said: "slot A is done: SHIP" in said
    )
    assert not browser.complaints()
    assert browser.picture(tmp_path / "board.png").stat().st_size > 10_000


def until(browser: Browser, expression: str, right: Callable[[str], bool]) -> None:
    """Wait until an expression of the page comes to what is right."""
    end = time.monotonic() + 30.0
    while not right(said := browser.value(expression)):
        assert time.monotonic() < end, f"{expression} is {said!r}"
        time.sleep(0.1)


def test_a_terminal_shows_the_board_of_a_stand_file_or_a_folder(
    runs: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A stand file shows all its slots, used or not; a folder of one stand's runs shows the same."""
    fill(runs)
    watch_command(STANDS / "rack-bench.yaml", runs=runs, once=True)
    reported = capsys.readouterr().out
    assert "  C    SHIP" in reported
    assert "slot C is done: SHIP, take it out" in reported
    watch_command(runs, once=True)
    assert capsys.readouterr().out == reported
    watch_command(STANDS / "duo-bench.yaml", runs=runs, once=True)
    assert "free: A, B" in capsys.readouterr().out
