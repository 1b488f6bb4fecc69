"""A journal that a power cut emptied, or filled with NUL bytes, beside the reports that were made of it before."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from hilseq.journal.reader import left_by_a_run, lost, read_journal
from hilseq.journal.writer import JournalWriter
from hilseq.live.follower import Follower, Found
from hilseq.live.run_presenter import run_reported
from hilseq.reports.write import write_certificates, write_labels, write_reports
from tests import warm

#: What became of the journal, and what is said of it.
LOSSES: list[tuple[Callable[[bytes], bytes], str]] = [
    (lambda _: b"", "journal.jsonl is empty, and was not"),
    (lambda b: b"\0" * len(b), "journal.jsonl holds NUL bytes where its first line was"),
    (lambda b: b[:4] + b"\0" * 4092, "journal.jsonl holds NUL bytes where its first line was"),
    (lambda b: b[:100], "journal.jsonl was cut within its first line"),
]
losses = pytest.mark.parametrize(("change", "reported"), LOSSES)


@pytest.fixture
def run(good: Path) -> Path:
    """A run whose unit shipped, with its reports, looked at long after."""
    write_reports(good)
    return good


def _lose(run: Path, change: Callable[[bytes], bytes]) -> dict[str, bytes]:
    """Spoil the journal; return what lies in the folder then."""
    journal = run / "journal.jsonl"
    journal.write_bytes(change(journal.read_bytes()))
    return _content(run)


def _content(run: Path) -> dict[str, bytes]:
    return {file.name: file.read_bytes() for file in run.iterdir()}


@losses
@pytest.mark.parametrize(
    ("command", "code"),
    [
        (["report", "{run}"], 2),
        (["report", "{run}", "--certificate"], 2),
        (["verify", "{run}/summary.json", "{run}"], 1),
        (["verify", "{run}/report-RH0001.html", "{run}"], 1),
        (["verify", "{run}/journal.jsonl", "{run}"], 1),
        (["watch", "{run}"], 2),
        (["watch", "--once", "{run}"], 2),
        (["resume", "{run}"], 2),
        (["records", "import", "{run}", "--records", "{run}/../records.sqlite"], 1),
        (["records", "sync", "--runs", "{run}", "--records", "{run}/../records.sqlite"], 1),
    ],
)
def test_no_command_tells_of_the_old_reports(
    run: Path, change: Callable[[bytes], bytes], reported: str, command: list[str], code: int
) -> None:
    """It says what became of the journal and what nothing vouches for; nothing is written over."""
    left = _lose(run, change)
    done = warm.hilseq(*(word.format(run=run) for word in command), cwd=run.parent)
    said = " ".join((done.stdout + done.stderr).split())
    assert done.returncode == code, said
    assert reported in said
    assert "report-RH0001.html, summary.json beside it can no longer be verified" in said
    assert "ship" not in said
    assert "genuine" not in said
    assert _content(run) == left


@losses
def test_the_page_of_such_a_run_calls_it_damaged(
    run: Path, change: Callable[[bytes], bytes], reported: str
) -> None:
    """SourcePosition to a moment ago, it is not active; no unit and no report of it is shown."""
    _lose(run, change)
    shown = Follower(run, 1.0).look(lambda follower: run_reported(Found("x", run, "", ended=False), follower))
    assert shown["state"]["code"] == "damaged"
    assert reported in shown["state"]["reported"]
    assert reported in shown["notice"]
    assert shown["units"] == []


def test_the_records_keep_what_they_had(run: Path) -> None:
    """Imported while it was whole: the run stays in the records, and the loss is refused, not taken."""
    records = ["--records", str(run.parent / "records.sqlite")]
    assert warm.hilseq("records", "import", str(run), *records, cwd=run.parent).returncode == 0
    _lose(run, lambda _: b"")
    again = warm.hilseq("records", "sync", "--runs", str(run), *records, cwd=run.parent)
    assert again.returncode == 1
    assert "the records keep what they have" in again.stdout
    life = warm.hilseq("history", "unit", "RH0001", "--json", *records, cwd=run.parent)
    assert '"ship"' in life.stdout


def test_a_journal_that_is_about_to_begin_is_not_lost(tmp_path: Path) -> None:
    """Empty, or cut in its first line, and nothing beside it: a run has just begun, or was killed at once."""
    journal = tmp_path / "journal.jsonl"
    for content in (b"", b'{"n":0,"kind":"run st'):
        journal.write_bytes(content)
        assert lost(read_journal(tmp_path)) == ""
        done = warm.hilseq("watch", "--once", str(tmp_path), cwd=tmp_path)
        assert (done.returncode, done.stdout) == (0, "no run to show yet\n")


def test_a_journal_that_somebody_is_beginning_is_not_lost(run: Path) -> None:
    """A lock says that a run is about to write its first line, whatever an older one has left there."""
    (run / "journal.jsonl").unlink()
    writer = JournalWriter(run)
    seen = Follower(run, 1.0).look(lambda follower: (follower.record, follower.refused))
    assert seen == (None, "")
    writer.close()
    os.utime(run / "journal.jsonl")
    record, refused = Follower(run, 1.0).look(lambda one: (one.record, one.refused))
    assert record is None
    assert "is empty, and was not" in refused


def test_all_that_a_run_leaves_is_known(run: Path) -> None:
    """The names here are those that the writers of reports give."""
    pytest.importorskip("typst")
    pytest.importorskip("segno")
    record = write_reports(run)
    made = [*write_certificates(record, run), *write_labels(record, run)]
    (run / "samples-A.bin").touch()
    (run / "notes.txt").touch()
    names = {*(file.name for file in made), "report-RH0001.html", "summary.json", "samples-A.bin"}
    assert set(left_by_a_run(run)) == names
