"""The sample files of a journal against its seals, where what is wrong is not the last seal of a whole soak."""

from __future__ import annotations

import errno
import os
import sys
from pathlib import Path

import pytest

from hilseq.journal import seals
from hilseq.journal.reader import read_journal, run_state
from hilseq.journal.samples import SampleWriter
from hilseq.journal.writer import JournalWriter
from hilseq.reports.verify import VerifyOutcome, verify
from tests.journals import run_started, soak_ended, soak_started, unit

GONE = "is not there, which holds the samples of this soak: it was moved away or deleted"


def _soaked(
    folder: Path, *slots: str, named: str = "samples-{}.bin", sealed: bool = True, ended: bool = True
) -> Path:
    """Write a run that soaked a unit in each slot, ten samples each; the journal names its files as `named`."""
    writer = JournalWriter(folder)
    writer.write(run_started(*(unit(slot) for slot in slots)))
    for slot in slots:
        file = named.format(slot)
        writer.write(soak_started(slot, file=file))
        samples = SampleWriter(folder / f"samples-{slot}.bin", ["current"])
        for second in range(10):
            samples.append(float(second), [0.1])
        if sealed:
            writer.write(samples.seal(slot, {}).model_copy(update={"file": file}))
        samples.close()
        if ended:
            writer.write(soak_ended(slot))
    writer.close()
    return folder


def broken_seals(folder: Path) -> dict[str, str]:
    """Return what is wrong with the sample files of a run."""
    return seals.broken_seals(run_state(read_journal(folder)), folder)


def test_a_soak_that_was_cut_off_before_its_first_seal_has_its_samples_all_the_same(tmp_path: Path) -> None:
    """Nothing vouches for what is in the file yet, but that there is one the journal says from the start."""
    run = tmp_path / "run"
    journal = _soaked(run, "A", sealed=False, ended=False)
    file = run / "samples-A.bin"
    assert broken_seals(journal) == {}
    file.write_bytes(b"shopping list\n")
    assert broken_seals(journal)["A"].startswith("samples-A.bin is no sample file of hilseq")
    file.unlink()
    assert broken_seals(journal) == {"A": f"samples-A.bin {GONE}"}


@pytest.mark.parametrize("named", ["../else/samples-{}.bin", "{{}}/else/samples-{}.bin"])
def test_a_journal_cannot_name_a_file_elsewhere(tmp_path: Path, named: str) -> None:
    """Whatever it says, the samples are those beside it: a copy of the run is looked at by itself."""
    _soaked(tmp_path / "else", "A")
    run = tmp_path / "run"
    journal = _soaked(run, "A", named=named.replace("{{}}", str(tmp_path)))
    assert broken_seals(journal) == {}
    (run / "samples-A.bin").unlink()
    assert broken_seals(journal) == {"A": f"samples-A.bin {GONE}"}


def test_a_file_that_cannot_be_read_vouches_for_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A bad sector is said as what the disk says; it is no reason to believe what cannot be seen."""

    def unreadable(*_: object) -> str:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    journal = _soaked(tmp_path / "run", "A")
    monkeypatch.setattr(seals, "prefix_hashes", unreadable)
    assert broken_seals(journal) == {"A": f"samples-A.bin cannot be read: {os.strerror(errno.EIO)}"}


@pytest.mark.skipif(sys.platform == "win32", reason="needs named pipes")
@pytest.mark.timeout(30)
def test_what_is_no_file_at_all_is_not_waited_for(tmp_path: Path) -> None:
    """A pipe of that name would be read for ever."""
    run = tmp_path / "run"
    journal = _soaked(run, "A")
    (run / "samples-A.bin").unlink()
    os.mkfifo(run / "samples-A.bin")
    assert broken_seals(journal) == {"A": f"samples-A.bin {GONE}"}


def test_only_the_last_seal_counts_and_each_slot_has_its_own(tmp_path: Path) -> None:
    """Two units, one damaged: nothing is said of the other; both damaged: `verify` names both files."""
    run = tmp_path / "run"
    journal = _soaked(run, "A", "B")
    for slot in "AB":
        file = run / f"samples-{slot}.bin"
        file.write_bytes(file.read_bytes()[:-1])
        assert set(broken_seals(journal)) == set("AB"[: "AB".index(slot) + 1])
    result = verify(run / "journal.jsonl", run)
    assert (result.outcome, result.where) == (VerifyOutcome.DOES_NOT_MATCH, "samples-A.bin, samples-B.bin")


def test_a_later_seal_replaces_an_earlier_one(tmp_path: Path) -> None:
    """What was sealed while the soak ran is a beginning; what it ended with is all of it."""
    run = tmp_path / "run"
    writer = JournalWriter(run)
    writer.write(run_started())
    writer.write(soak_started())
    samples = SampleWriter(run / "samples-A.bin", ["current"])
    for second in range(10):
        samples.append(float(second), [0.1])
        writer.write(samples.seal("A", {}))
    samples.close()
    writer.write(soak_ended())
    writer.close()
    assert broken_seals(run) == {}
    content = bytearray((run / "samples-A.bin").read_bytes())
    (run / "samples-A.bin").write_bytes(content[:-16])
    reported = broken_seals(run)["A"]
    assert reported.startswith(
        "samples-A.bin is damaged: only 9 of the 10 samples that the journal has sealed"
    )
