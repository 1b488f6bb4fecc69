"""The sample files of a journal against its seals, where what is wrong is not the last seal of a whole soak."""

from __future__ import annotations

import errno
import os
import sys
from pathlib import Path

import pytest

from hilseq.journal import kinds, seals
from hilseq.journal.reader import Journal, read_journal
from hilseq.journal.samples import SampleWriter
from hilseq.journal.seals import broken_seals
from hilseq.journal.writer import JournalWriter
from hilseq.reports.verify import Outcome, verify

GONE = "is not there, which holds the samples of this soak: it was moved away or deleted"


def _soaked(
    folder: Path, *slots: str, named: str = "samples-{}.bin", sealed: bool = True, ended: bool = True
) -> Journal:
    """Write a run that soaked a unit in each slot, ten samples each; the journal names its files as `named`."""
    writer = JournalWriter(folder)
    units = [{"slot": slot, "serial": slot, "part": "RH16"} for slot in slots]
    run = {"run": "r", "stand": "s", "hilseq": "0", "simulated": False, "decision_rules": {}}
    writer.write(kinds.RUN_STARTED, **run, units=units)
    for slot in slots:
        file = named.format(slot)
        writer.write(kinds.SOAK_STARTED, slot=slot, check="soak", file=file, zero=0.0, period=1.0)
        samples = SampleWriter(folder / f"samples-{slot}.bin", ["current"])
        for second in range(10):
            samples.append(float(second), [0.1])
        if sealed:
            writer.write(kinds.SAMPLES_SEALED, slot=slot, **{**samples.seal(), "file": file}, ports={})
        samples.close()
        if ended:
            writer.write(kinds.SOAK_ENDED, slot=slot, since=10.0, samples=10)
    writer.close()
    return read_journal(folder)


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
    monkeypatch.setattr(seals, "prefix_hash", unreadable)
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
    assert (result.outcome, result.where) == (Outcome.NOT_GENUINE, "samples-A.bin, samples-B.bin")


def test_a_later_seal_replaces_an_earlier_one(tmp_path: Path) -> None:
    """What was sealed while the soak went on is a beginning; what it ended with is all of it."""
    run = tmp_path / "run"
    writer = JournalWriter(run)
    writer.write(kinds.SOAK_STARTED, slot="A", file="samples-A.bin")
    samples = SampleWriter(run / "samples-A.bin", ["current"])
    for second in range(10):
        samples.append(float(second), [0.1])
        writer.write(kinds.SAMPLES_SEALED, slot="A", **samples.seal())
    samples.close()
    writer.write(kinds.SOAK_ENDED, slot="A")
    writer.close()
    assert broken_seals(read_journal(run)) == {}
    content = bytearray((run / "samples-A.bin").read_bytes())
    (run / "samples-A.bin").write_bytes(content[:-16])
    told = broken_seals(read_journal(run))["A"]
    assert told.startswith("samples-A.bin is damaged: only 9 of the 10 samples that the journal has sealed")
