"""The sample file: whole to the last record after a cut at any byte, and sealed against change."""

from __future__ import annotations

import hashlib
import os
import resource
import signal
import sys
from pathlib import Path

import numpy as np
import pytest

from hilseq.errors import UsageError
from hilseq.journal.samples import SampleWriter, prefix_hashes, read_samples


def _written(path: Path, count: int = 5) -> bytes:
    writer = SampleWriter(path, ["current", "case"])
    for number in range(count):
        writer.append(float(number), [0.1 * number, float("nan")])
    writer.close()
    return path.read_bytes()


def test_a_file_cut_at_any_byte_reads_as_its_whole_records(tmp_path: Path) -> None:
    """Killed at any byte: every whole record is there, the rest is counted, and writing continues."""
    path = tmp_path / "samples-A.bin"
    whole = _written(path)
    start = whole.index(b"\n") + 1
    size = (len(whole) - start) // 5
    for length in range(start, len(whole) + 1):
        path.write_bytes(whole[:length])
        samples = read_samples(path)
        assert len(samples.times) == (length - start) // size
        assert samples.cut_bytes == (length - start) % size
        writer = SampleWriter(path, ["current", "case"], resume=True)
        writer.append(99.0, [1.0, 2.0])
        writer.close()
        again = read_samples(path)
        assert (again.times[-1], again.cut_bytes, len(again.times)) == (99.0, 0, len(samples.times) + 1)


def test_a_changed_record_ends_the_sound_part(tmp_path: Path) -> None:
    path = tmp_path / "samples-A.bin"
    whole = bytearray(_written(path))
    whole[-40] ^= 1
    path.write_bytes(bytes(whole))
    assert len(read_samples(path).times) == 3


def test_a_seal_finds_a_later_change(tmp_path: Path) -> None:
    """A record replaced by another sound one passes its own checksum, but not the seal."""
    path, other = tmp_path / "samples-A.bin", tmp_path / "other.bin"
    writer = SampleWriter(path, ["current", "case"])
    for number in range(5):
        writer.append(float(number), [0.1, 25.0])
    seal = writer.seal("A", {})
    writer.close()
    assert prefix_hashes(path, [5])[0] == seal.sha256
    forged = SampleWriter(other, ["current", "case"])
    for number in range(5):
        forged.append(float(number), [0.1, 24.0 if number == 2 else 25.0])
    forged.close()
    assert len(read_samples(other).times) == 5
    assert prefix_hashes(other, [5])[0] != seal.sha256


def test_a_seal_after_a_break_covers_what_was_before_it(tmp_path: Path) -> None:
    """The file continues after a kill; what is sealed then is all of it, not what was added."""
    path = tmp_path / "samples-A.bin"
    path.write_bytes(_written(path)[:-3])
    writer = SampleWriter(path, ["current", "case"], resume=True)
    writer.append(99.0, [1.0, 2.0])
    seal = writer.seal("A", {})
    writer.close()
    assert seal.count == 5
    assert seal.sha256 == hashlib.sha256(path.read_bytes()).hexdigest() == prefix_hashes(path, [5])[0]


def test_other_columns_are_not_continued(tmp_path: Path) -> None:
    path = tmp_path / "samples-A.bin"
    _written(path)
    with pytest.raises(UsageError, match="other columns than this plan"):
        SampleWriter(path, ["current"], resume=True)


@pytest.mark.skipif(sys.platform == "win32", reason="limits of POSIX")
def test_a_disk_that_fills_up_keeps_what_was_written(tmp_path: Path) -> None:
    """The write that does not fit raises and leaves no half record; the same records can follow later."""
    path = tmp_path / "samples-A.bin"
    writer = SampleWriter(path, ["current", "case"])
    writer.append(0.0, [1.0, 2.0])
    writer.sync()
    before = path.read_bytes()
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    ignored = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (len(before) + 10, limits[1]))
        writer.append(1.0, [1.0, 2.0])
        with pytest.raises(OSError, match="too large"):
            writer.sync()
        assert path.read_bytes() == before
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
        signal.signal(signal.SIGXFSZ, ignored)
    writer.close()
    assert read_samples(path).times.tolist() == [0.0, 1.0]


def test_a_deleted_file_is_noticed(tmp_path: Path) -> None:
    path = tmp_path / "samples-A.bin"
    writer = SampleWriter(path, ["current"])
    path.unlink()
    writer.append(0.0, [1.0])
    with pytest.raises(FileNotFoundError, match="deleted under the run"):
        writer.sync()


def test_something_else_is_no_sample_file(tmp_path: Path) -> None:
    for content in (b"", b"{}\n", b"\x00" * 100, os.urandom(300)):
        path = tmp_path / "samples-A.bin"
        path.write_bytes(content)
        with pytest.raises(UsageError, match="not a sample file"):
            read_samples(path)


def test_values_come_back_as_they_were_given(tmp_path: Path) -> None:
    path = tmp_path / "samples-A.bin"
    _written(path)
    samples = read_samples(path)
    assert samples.column("current").tolist() == pytest.approx([0.0, 0.1, 0.2, 0.3, 0.4], rel=1e-6)
    assert np.isnan(samples.column("case")).all()
