"""Soaks in the records: minutes from the sealed samples, hours and faults for the pooled proof."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hilseq.journal.entries import CheckEnded, CheckStarted, RunEnded
from hilseq.journal.samples import SampleWriter
from hilseq.journal.writer import JournalWriter
from hilseq.records.database import Database
from hilseq.records.history.part import pooled
from hilseq.records.importing import ImportOutcome, import_run
from hilseq.verdicts import CheckVerdict
from tests.journals import check_planned, run_started, soak_event, soak_started, unit

Soak = Callable[..., Path]
Minutes = Callable[..., list[tuple[Any, ...]]]
ZERO = 12.0


@pytest.fixture
def soak(tmp_path: Path) -> Soak:
    """`soak(samples=180)`: a run whose one check soaked the unit, a sample a second."""

    def make(folder: str = "soaked", samples: int = 180, events: int = 0, end: bool = True) -> Path:
        run = tmp_path / folder
        journal = JournalWriter(run)
        journal.write(run_started(unit("a", "SN-1", "RH-16"), run=folder, stand="north"))
        journal.write(check_planned("s::test_soak", slot="a"))
        journal.write(CheckStarted(check="s::test_soak"))
        journal.write(soak_started("a", zero=ZERO, check="s::test_soak"))
        writer = SampleWriter(run / "samples-a.bin", ["current", "mode"])
        for second in range(samples):
            writer.append(
                ZERO + second, [0.1 + 0.01 * (second % 60 == 30), float("nan") if second < 60 else 2]
            )
        for number in range(events):
            for place in ("mode", "q01"):
                journal.write(soak_event(number + 1, "a", place=place))
        journal.write(writer.seal("a", {}))
        writer.close()
        if end:
            journal.write(CheckEnded(check="s::test_soak", verdict=CheckVerdict.PASSED, seconds=samples))
            journal.write(RunEnded(exit_code=0, interrupted=False))
        journal.close()
        return run

    return make


def test_the_minutes_come_from_the_sealed_samples(
    database: Database, soak: Soak, minutes_of: Minutes
) -> None:
    imported = import_run(database, soak(samples=150))
    rows = minutes_of(database, imported.key)
    assert [(minute, signal, count) for minute, signal, count, *_ in rows] == [
        (0, "current", 60), (1, "current", 60), (2, "current", 30), (1, "mode", 60), (2, "mode", 30),
    ]  # fmt: skip
    _, _, _, least, mean, greatest = rows[0]
    assert (least, mean, greatest) == pytest.approx((0.1, 0.1 + 0.01 / 60, 0.11))


def test_samples_that_were_changed_are_left_out_and_said(
    database: Database, soak: Soak, minutes_of: Minutes
) -> None:
    run = soak()
    file = run / "samples-a.bin"
    content = bytearray(file.read_bytes())
    content[-40] ^= 1
    file.write_bytes(content)
    imported = import_run(database, run)
    assert imported.outcome is ImportOutcome.NEW
    assert imported.samples_fault == (
        "samples-a.bin is damaged: only 178 of the 180 samples that the journal has sealed can be read; "
        "the records have no minutes of it from here"
    )
    assert minutes_of(database, imported.key) == []


@pytest.mark.parametrize("content", [b"", b"no samples\n", b"[1]\n", b"\xff\n"])
def test_a_file_that_is_no_sample_file_is_said_too(database: Database, soak: Soak, content: bytes) -> None:
    run = soak()
    (run / "samples-a.bin").write_bytes(content)
    assert "samples-a.bin is no sample file of hilseq" in import_run(database, run).samples_fault


def test_a_copy_without_samples_may_come_first(
    database: Database, soak: Soak, tmp_path: Path, minutes_of: Minutes
) -> None:
    run = soak()
    bare = tmp_path / "bare"
    bare.mkdir()
    shutil.copy(run / "journal.jsonl", bare)
    first = import_run(database, bare)
    assert "samples-a.bin is not there" in first.samples_fault
    assert minutes_of(database, first.key) == []
    again = import_run(database, run)
    assert (again.outcome, again.samples_fault) == (ImportOutcome.CHANGED, "")
    assert len(minutes_of(database, first.key)) > 0


def test_samples_that_are_damaged_later_are_said_and_cost_no_minute(
    database: Database, soak: Soak, minutes_of: Minutes
) -> None:
    """The same journal again, its samples gone bad since: the records keep what they have, and say so."""
    run = soak()
    first = import_run(database, run)
    minutes = minutes_of(database, first.key)
    (run / "samples-a.bin").write_bytes(b"")
    again = import_run(database, run)
    assert again.outcome is ImportOutcome.CHANGED
    assert again.samples_fault.endswith("damaged or replaced; the records keep the minutes that they have")
    assert minutes_of(database, first.key) == minutes


def test_soaked_hours_and_events_are_pooled(database: Database, soak: Soak) -> None:
    """Two signs of one incident are one fault; an interrupted soak counts as far as it was sealed."""
    import_run(database, soak("one", samples=3600))
    import_run(database, soak("two", samples=1800, events=1, end=False))
    found: Any = pooled(database, "RH-16").soaks
    assert (found.hours, found.faults, found.units) == (1.5, 1, 1)
    assert found.proven == pytest.approx(1.5 / 4.7439, rel=1e-4)


def test_a_large_soak_is_rolled_up_in_one_go(database: Database, soak: Soak, minutes_of: Minutes) -> None:
    imported = import_run(database, soak(samples=40_000))
    assert sum(row[2] for row in minutes_of(database, imported.key, "current")) == 40_000
