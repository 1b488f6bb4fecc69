"""What the page says of a soak agrees with itself: one count of events, and no claim about what was not there."""

from __future__ import annotations

import math
from pathlib import Path

from hilseq.journal.entries import CheckEnded, CheckStarted, RunEnded
from hilseq.journal.reader import read_journal, run_state
from hilseq.journal.samples import SampleWriter
from hilseq.journal.soak_entries import SoakColumn
from hilseq.journal.writer import JournalWriter
from hilseq.reports.soak import SoakView, soak_of
from hilseq.verdicts import CheckVerdict
from tests.journals import check_planned, run_started, soak_event, soak_started

COLUMNS = ("supply current", "unit mode", "unit temperature")


def _soak(folder: Path, *, case_then: float, seconds: int = 1200) -> SoakView:
    """Return a soak whose case warms by 3 °C without getting steady; two signs of one failure at 600 s."""
    journal = JournalWriter(folder)
    journal.write(run_started())
    journal.write(check_planned("soak"))
    journal.write(CheckStarted(check="soak"))
    columns = tuple(
        SoakColumn(name=name, unit=unit) for name, unit in zip(COLUMNS, ("A", "", "degC"), strict=True)
    )
    journal.write(soak_started(duration=float(seconds), case="unit temperature", columns=columns))
    writer = SampleWriter(folder / "samples-A.bin", list(COLUMNS))
    for second in range(seconds):
        writer.append(float(second), [0.1, 2.0, 30.0 + 3.0 * second / seconds + 0.2 * math.sin(second)])
    for place in ("mode", "q01"):
        journal.write(soak_event(place=place, since=600.0, case=case_then))
    journal.write(writer.seal("A", {}))
    writer.close()
    journal.write(CheckEnded(check="soak", verdict=CheckVerdict.FAILED, seconds=seconds, why="left its mode"))
    journal.write(RunEnded(exit_code=1, interrupted=False))
    journal.close()
    run = run_state(read_journal(folder))
    view = soak_of(folder, run, run.units[0])
    assert view is not None
    return view


def test_signs_that_came_together_are_one_event_everywhere(tmp_path: Path) -> None:
    view = _soak(tmp_path, case_then=32.9)
    assert (view.incidents, len(view.events)) == (1, 2)
    assert any(sentence.startswith("1 event in ") for sentence in view.sentences)
    assert [sentence for sentence in view.sentences if sentence.startswith("Event ")] == [
        sentence for sentence in view.sentences if sentence.startswith("Event 1: ")
    ]


def test_where_no_event_met_a_condition_no_probability_is_reported(tmp_path: Path) -> None:
    """`0 of 1 event happened above ..., probability 100 %` tells nobody anything."""
    warm = [s for s in _soak(tmp_path / "warm", case_then=32.9).sentences if "the median of the soak" in s]
    cool = [s for s in _soak(tmp_path / "cool", case_then=30.1).sentences if "the median of the soak" in s]
    assert (len(warm), cool) == (1, [])
    assert warm[0].startswith("1 of 1 event happened above ")


def test_without_a_gap_none_is_spoken_of(tmp_path: Path) -> None:
    view = _soak(tmp_path, case_then=32.9)
    assert view.gaps == []
    assert not any("first gap" in sentence for sentence in view.sentences)
    assert any("did not become steady (" in sentence for sentence in view.sentences)
