"""Writing: durable, never over an old journal, and whole lines or none when the disk refuses."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from hilseq.errors import UsageError
from hilseq.journal.reader import read_journal
from hilseq.journal.writer import JournalWriter


def test_a_journal_is_never_written_over(tmp_path: Path) -> None:
    JournalWriter(tmp_path).close()
    with pytest.raises(UsageError, match="never written over: give another --out"):
        JournalWriter(tmp_path)


def test_an_entry_is_on_the_disk_when_write_returns(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    synced: list[int] = []
    really = os.fdatasync

    def sync(handle: int) -> None:
        synced.append(handle)
        really(handle)

    monkeypatch.setattr(os, "fdatasync", sync)
    writer = JournalWriter(tmp_path)
    writer.write("event", text="one")
    assert len(synced) == 1
    assert [entry["text"] for entry in read_journal(tmp_path).entries] == ["one"]
    assert read_journal(tmp_path).chain == writer.chain


def test_what_belongs_to_a_check_under_way_is_made_durable_with_what_follows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Readings are in the file at once; the sync of the check's end covers them."""
    lengths: list[int] = []
    monkeypatch.setattr(os, "fdatasync", lambda handle: lengths.append(os.fstat(handle).st_size))
    writer = JournalWriter(tmp_path)
    for kind in ("check planned", "reading", "table"):
        writer.write(kind)
        assert read_journal(tmp_path).entries[-1]["kind"] == kind
    assert lengths == []
    writer.write("check ended")
    assert lengths == [writer.path.stat().st_size]


def test_a_full_disk_leaves_whole_lines_and_the_journal_can_go_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = JournalWriter(tmp_path)
    writer.write("event", text="before")
    really = os.write
    monkeypatch.setattr(os, "write", lambda handle, line: really(handle, line[:10]))
    with pytest.raises(OSError, match=r"only 10 of \d+ bytes"):
        writer.write("event", text="lost")
    monkeypatch.setattr(os, "write", really)
    assert [entry["text"] for entry in read_journal(tmp_path).entries] == ["before"]
    writer.write("event", text="after")
    journal = read_journal(tmp_path)
    assert [entry["text"] for entry in journal.entries] == ["before", "after"]
    assert (journal.torn, journal.broken) == (0, "")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_a_disk_that_refuses_is_an_error_of_the_system(tmp_path: Path) -> None:
    writer = JournalWriter(tmp_path)
    full = os.open("/dev/full", os.O_WRONLY)
    os.dup2(full, writer._handle)
    os.close(full)
    with pytest.raises(OSError, match="No space left"):
        writer.write("event", text="x")
    writer.close()
