"""A visit in lines: stages that fill up, failures reported once, verdicts with cause and next step, in 80 columns."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from hilseq.journal.entries import CheckEnded, CheckStarted
from hilseq.journal.run_state import RunState
from hilseq.reports import visit_lines as lines
from hilseq.reports.visit_lines import large
from hilseq.verdicts import CheckVerdict, Disposition, Obstacle, dispose
from tests.journals import check_planned, plan_compared, run_started, unit

PASSED, FAILED = CheckVerdict.PASSED, CheckVerdict.FAILED
FAULT, UNDONE = CheckVerdict.STAND_FAULT, CheckVerdict.NOT_PERFORMED


def run(
    *stages: tuple[str, Sequence[CheckVerdict | None]],
    why: str = "it is wrong",
    title: str = "Title",
    obstacle: Obstacle | None = None,
) -> RunState:
    """Return a run of one unit; None is a check that has not ended."""
    state = RunState(run_started(unit(serial="RH-1")))
    for stage, verdicts in stages:
        for number, verdict in enumerate(verdicts):
            name = f"test_{stage}[q{number:02}]"
            state.take(check_planned(name, stage=stage, title=title, place=f"q{number:02}"))
            if verdict is not None:
                state.take(CheckStarted(check=name))
                reported = "" if verdict is PASSED else why
                ended = CheckEnded(check=name, verdict=verdict, why=reported, seconds=1.0, obstacle=obstacle)
                state.take(ended)
    return state


def stage_line(state: RunState) -> str:
    """Return the line of the first stage, as on a screen."""
    return lines.stage_line(lines.stages_of(state.units[0])[0], strip=True, slot=False).plain


def plain(reported: list[object]) -> str:
    """Return lines as words."""
    return " ".join(" ".join(getattr(line, "plain", str(line)) for line in reported).split())


@pytest.mark.parametrize("number", [1, 3, 16, 100])
def test_a_stage_fills_up(number: int) -> None:
    """One sign a check while there is room; nothing passed yet is not shown as passed; full at the end."""
    cells = min(number, 16)
    seen = [
        stage_line(run(("outputs", [PASSED] * done + [None] * (number - done)))).count("\u25a0")
        for done in range(number + 1)
    ]
    assert seen == sorted(seen)
    assert (seen[0], seen[-1]) == (0, cells)
    assert seen[number // 2] <= cells / 2 + 1


def test_a_failure_is_seen_at_once_and_where() -> None:
    """While others are still to come, and in a share of many checks that else passed."""
    assert "failed: q01" in stage_line(run(("outputs", [PASSED, FAILED, None, None])))
    many = stage_line(run(("outputs", [PASSED] * 40 + [FAILED] + [PASSED] * 59)))
    assert many.count("\u2717") == 1
    assert many.endswith("1 failed: q40")


def test_stages_left_out_for_one_reason_are_one_line() -> None:
    """Whether they were not selected or a gate closed them; the reason is reported once."""
    state = run(
        ("outputs", [UNDONE, UNDONE]),
        ("inputs", [UNDONE]),
        why="the stand failed earlier (supply main is silent)",
    )
    (reported,) = lines.left_out(lines.stages_of(state.units[0]), slot=False)
    assert reported.plain == "  2 stages not performed: outputs, inputs (the stand failed earlier)"
    (reported,) = lines.left_out(
        lines.stages_of(run(("outputs", [None]), ("inputs", [None])).units[0]), slot=False
    )
    assert reported.plain == "  2 stages not performed: outputs, inputs (the run ended before)"


def test_a_reason_is_reported_once() -> None:
    """In full where it is met first; the line of its stage names the others."""
    failures = lines.Failures()
    state = run(("outputs", [FAILED, FAILED, PASSED]), why="q00 and q01: shorted")
    reported = [plain(failures.lines(check)) for check in state.units[0].checks]  # type: ignore[arg-type]
    assert reported == ["failed: q00, Title: q00 and q01: shorted", "", ""]
    assert plain(lines.wrong_so_far(state.units[0])) == "q00 and q01: shorted"  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("verdict", "why", "obstacle", "reported", "following"),
    [
        (
            PASSED,
            "",
            None,
            "All 1 check of 1 stage passed.",
            "hilseq report DIR --certificate --label",
        ),
        (FAILED, "it is dark", None, "q00: it is dark", "test again with --retest DIR"),
        (FAULT, "rack is silent", None, "q00: rack is silent", "`hilseq ready`"),
        (
            UNDONE,
            "it was not",
            Obstacle.NOT_SELECTED,
            "not selected",
            "without leaving",
        ),
        (UNDONE, "nobody", Obstacle.NO_OPERATOR, "nobody", "--attended"),
        (UNDONE, "slip", Obstacle.ERROR_IN_SEQUENCE, "slip", "correct the sequence"),
        (UNDONE, "either", Obstacle.UNIT_OR_HARNESS, "either", "known good unit"),
    ],
)
def test_a_verdict_has_its_cause_and_the_next_step(
    verdict: CheckVerdict,
    why: str,
    obstacle: Obstacle | None,
    reported: str,
    following: str,
) -> None:
    """Whatever it is; large on a screen, a word on paper."""
    disposition = dispose([verdict])
    state = run(("outputs", [verdict]), why=why, obstacle=obstacle)
    state.take(plan_compared())
    end = lines.Verdict(state.units[0], disposition, "DIR", "DIR/report.html")
    paper = lines.verdict_lines(end, letters=False, full=True)
    assert paper[0].plain == f"{disposition.upper()}  RH16 RH-1"
    assert reported in plain(paper)  # type: ignore[arg-type]
    assert following in plain(paper)  # type: ignore[arg-type]
    screen = lines.verdict_lines(end, letters=True, full=True)
    assert screen[2].plain.endswith("RH16 RH-1")
    assert len(screen) == len(paper) + 3


@pytest.mark.parametrize("disposition", Disposition)
def test_the_letters_fit(disposition: Disposition) -> None:
    """Three lines on every terminal; five where a station wants them, as wide as there is room for."""
    assert [len(large(disposition, 80)), len(large(disposition, 80, huge=True))] == [3, 5]
    assert max(map(len, large(disposition, 80, huge=True))) <= 80
    assert max(map(len, large(disposition, 20))) <= 76


@pytest.mark.parametrize(
    ("left", "reported"),
    [
        (3.4, "about 3 s left"),
        (58.0, "about 1 min left"),
        (421.0, "about 7 min left"),
        (7300.0, "about 2 h left"),
        (None, "4 s"),
    ],
)
def test_time_left_has_the_figures_of_an_estimate(left: float | None, reported: str) -> None:
    """No more, and nothing where nothing is known yet."""
    line = lines.progress_line(3, 10, lines.Rest(elapsed=4.2, left=left)).plain
    assert line.startswith("  3 of 10 checks, 4 s")
    assert line.endswith(reported)


@given(
    words=st.text(max_size=200),
    title=st.text(min_size=1, max_size=120),
    verdicts=st.lists(st.sampled_from([PASSED, FAILED, FAULT, UNDONE]), min_size=1, max_size=40),
)
def test_no_line_is_wider_than_the_screen(words: str, title: str, verdicts: list[CheckVerdict]) -> None:
    """Whatever instruments, units and sequences say, wide letters and control characters included."""
    state = run(("outputs", list(verdicts)), why=words.replace("/", " "), title=title)
    tested = state.units[0]
    shown = [
        stage_line(state),
        *(line.plain for check in tested.checks for line in lines.check_lines(check)[:1]),
        lines.progress_line(1, 2, lines.Rest(1.0, 2.0, words)).plain.replace("\n", " "),
    ]
    assert max(map(cell_len, shown)) <= lines.WIDTH
