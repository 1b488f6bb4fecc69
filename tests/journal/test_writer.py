"""Writing: durable, never over an old journal, and whole lines or none when the disk refuses."""

from __future__ import annotations

import hashlib
import math
import os
import signal
from collections.abc import Callable
from pathlib import Path

import pytest

from hilseq.analysis.limits import ReadingVerdict
from hilseq.errors import UsageError
from hilseq.interrupts import interrupt_on_termination
from hilseq.journal.entries import CheckEnded, EventLogged, MadeSafe, Reading, TableKept
from hilseq.journal.reader import read_journal
from hilseq.journal.samples import SampleWriter, read_samples
from hilseq.journal.writer import JournalWriter
from hilseq.verdicts import CheckVerdict
from tests.journals import check_planned


def _event(text: str) -> EventLogged:
    return EventLogged(what="event", text=text)


def _texts(folder: Path) -> list[str]:
    return [entry.text for entry in read_journal(folder).of(EventLogged)]


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
    writer.write(_event("one"))
    assert len(synced) == 1
    assert _texts(tmp_path) == ["one"]
    assert read_journal(tmp_path).chain == writer.chain


def test_what_belongs_to_a_check_under_way_is_made_durable_with_what_follows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Readings are in the file at once; the sync of the check's end covers them."""
    lengths: list[int] = []
    monkeypatch.setattr(os, "fdatasync", lambda handle: lengths.append(os.fstat(handle).st_size))
    writer = JournalWriter(tmp_path)
    of_a_check = (
        check_planned("c"),
        Reading(check="c", slot="A", name="current", value=0.1, unit="A", verdict=ReadingVerdict.CONFORMS),
        TableKept(check="c", slot="A", name="ramp", columns=("V",), rows=((1.0,), (math.nan,))),
    )
    for entry in of_a_check:
        written = writer.write(entry)
        assert read_journal(tmp_path).entries[-1:] == (written,)
    assert lengths == []
    writer.write(CheckEnded(check="c", verdict=CheckVerdict.PASSED, seconds=0.1))
    assert lengths == [writer.path.stat().st_size]


def _interrupted(monkeypatch: pytest.MonkeyPatch, write: Callable[[], object]) -> None:
    """Write while SIGTERM comes between the bytes and their sync."""
    really = os.fdatasync

    def sync(handle: int) -> None:
        signal.raise_signal(signal.SIGTERM)
        really(handle)

    with monkeypatch.context() as patched:
        patched.setattr(os, "fdatasync", sync)
        with pytest.raises(KeyboardInterrupt):
            write()


def test_an_interrupt_in_the_middle_of_an_entry_does_not_break_the_chain(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is raised when the entry is whole, and the next entry has the next number."""
    before = signal.getsignal(signal.SIGTERM)
    interrupt_on_termination()
    try:
        writer = JournalWriter(tmp_path)
        writer.write(_event("before"))
        _interrupted(monkeypatch, lambda: writer.write(_event("interrupted")))
        writer.write(MadeSafe(verified=True, by="run"))
    finally:
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, before if number == signal.SIGTERM else signal.SIG_DFL)
        signal.signal(signal.SIGINT, signal.default_int_handler)
    journal = read_journal(tmp_path)
    assert [entry.kind for entry in journal.entries] == ["event", "event", "made safe"]
    assert (journal.torn, journal.broken) == (0, "")


def test_samples_that_an_interrupt_meets_are_written_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The block, its fingerprint and what is still to be written stay of one mind."""

    def interrupt(_number: int, _frame: object) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, interrupt)
    try:
        writer = SampleWriter(tmp_path / "samples-A.bin", ["a"])
        writer.append(1.0, [1.0])
        _interrupted(monkeypatch, writer.sync)
        sealed = writer.seal("A", {})
    finally:
        signal.signal(signal.SIGTERM, before)
    assert list(read_samples(writer.path).times) == [1.0]
    assert sealed.sha256 == hashlib.sha256(writer.path.read_bytes()).hexdigest()


def test_a_full_disk_leaves_whole_lines_and_the_journal_can_go_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = JournalWriter(tmp_path)
    writer.write(_event("before"))
    really = os.write
    monkeypatch.setattr(os, "write", lambda handle, line: really(handle, line[:10]))
    with pytest.raises(OSError, match=r"only 10 of \d+ bytes"):
        writer.write(_event("lost"))
    monkeypatch.setattr(os, "write", really)
    assert _texts(tmp_path) == ["before"]
    writer.write(_event("after"))
    journal = read_journal(tmp_path)
    assert _texts(tmp_path) == ["before", "after"]
    assert (journal.torn, journal.broken) == (0, "")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_a_disk_that_refuses_is_an_error_of_the_system(tmp_path: Path) -> None:
    writer = JournalWriter(tmp_path)
    full = os.open("/dev/full", os.O_WRONLY)
    os.dup2(full, writer._handle)
    os.close(full)
    with pytest.raises(OSError, match="No space left"):
        writer.write(_event("x"))
    writer.close()
