"""Faults of the storage under a journal, and what is left of it: counted, not timed.

    python tests/bench/bench_storage.py [COUNT] [SEED]

Power lost: of what was not synced any blocks of 512 bytes are lost or kept, in any order. All that was synced is read,
the run does not look complete, and a resumed writer continues or refuses in words. Disk full at any byte: the writer
raises OSError, and only whole lines are left. Folder renamed between two entries: every later one is in its new place.
Writer stopped or killed between two entries: nothing is lost.
"""

from __future__ import annotations

import os
import random
import resource
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from hilseq.errors import UsageError
from hilseq.journal.entries import (
    CheckEnded,
    CheckPlanned,
    CheckStarted,
    JournalEntry,
    MadeSafe,
    Reading,
    RunEnded,
    RunStarted,
    UnitUnderTest,
)
from hilseq.journal.reader import read_journal, run_state
from hilseq.journal.writer import FILE_NAME, JournalWriter

BLOCK = 512
CHECKS = 6


def entries() -> Iterator[JournalEntry]:
    """Yield what a short run writes."""
    unit = UnitUnderTest(slot="A", serial="1", part="P")
    yield RunStarted(run="r", stand="s", hilseq="0", simulated=True, decision_rules={}, units=(unit,))
    for number in range(CHECKS):
        yield CheckPlanned(
            check=f"c{number}", slot="A", sequence="s", stage="x", title="t", place="p", gate=False
        )
    for number in range(CHECKS):
        yield CheckStarted(check=f"c{number}")
        yield Reading(check=f"c{number}", slot="A", name="n", value=1.0, unit="V", verdict="conforms")
        yield CheckEnded(check=f"c{number}", verdict="passed", seconds=1.0)
    yield MadeSafe(verified=True, by="run")
    yield RunEnded(exit_code=0, interrupted=False)


@contextmanager
def recorded(steps: list[int | None]) -> Iterator[None]:
    """Note how many bytes each write adds, and None for each sync that makes them durable."""
    write, sync = os.write, os.fdatasync

    def noted_write(handle: int, data: bytes) -> int:
        written = write(handle, data)
        steps.append(written)
        return written

    def noted_sync(handle: int) -> None:
        sync(handle)
        steps.append(None)

    os.write, os.fdatasync = noted_write, noted_sync  # type: ignore[assignment]
    try:
        yield
    finally:
        os.write, os.fdatasync = write, sync


def after_power_loss(content: bytes, durable: int, written: int, stream: random.Random) -> bytes:
    """Return what a disk may hold of `content`: all that is durable, and of the rest any blocks up to some length."""
    length = stream.randint(durable, written)
    kept = bytearray(content[:durable])
    while len(kept) < length:
        size = min(BLOCK - len(kept) % BLOCK, length - len(kept))
        kept += content[len(kept) : len(kept) + size] if stream.random() < 0.5 else bytes(size)
    return bytes(kept)


def wrong_after(folder: Path, whole: bytes, durable: int) -> str:
    """Return what does not hold of a journal that a fault has left; empty when all does."""
    content = (folder / FILE_NAME).read_bytes()
    synced = whole[:durable].count(b"\n")
    try:
        journal = read_journal(folder)
    except UsageError:
        return "" if synced == 0 else "it is not read"
    if len(journal.entries) < synced:
        return f"{synced} entries were synced, and {len(journal.entries)} are read"
    if journal.entries and run_state(journal).whole and content != whole:
        return "it looks complete"
    try:
        JournalWriter(folder, resume=True).close()
    except UsageError:
        return "" if journal.broken or not journal.entries else "a sound journal is not continued"
    left = (folder / FILE_NAME).read_bytes()
    return "" if left == whole[: len(left)] and len(left) >= durable else "what is continued is no beginning"


def power_lost(folder: Path, count: int, stream: random.Random) -> list[str]:
    """Return what went wrong in so many losses of power, each at any step of a run."""
    steps: list[int | None] = []
    with recorded(steps):
        writer = JournalWriter(folder / "whole")
        for entry in entries():
            writer.write(entry)
        writer.close()
    whole = (folder / "whole" / FILE_NAME).read_bytes()
    wrong = []
    for number in range(count):
        written = durable = 0
        for step in steps[: stream.randint(0, len(steps))]:
            if step is None:
                durable = written
            else:
                written += step
        lost = folder / f"lost-{number}"
        lost.mkdir()
        (lost / FILE_NAME).write_bytes(after_power_loss(whole, durable, written, stream))
        wrong.append(wrong_after(lost, whole, durable))
    return wrong


def disk_full(folder: Path, count: int, stream: random.Random) -> list[str]:
    """Return what went wrong on so many disks that were full at any byte."""
    wrong = []
    before = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    for number in range(count):
        writer = JournalWriter(folder / f"full-{number}")
        resource.setrlimit(resource.RLIMIT_FSIZE, (stream.randint(0, 6000), limits[1]))
        refused = False
        try:
            for entry in entries():
                writer.write(entry)
        except OSError:
            refused = True
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, limits)
            writer.close()
        content = (folder / f"full-{number}" / FILE_NAME).read_bytes()
        whole_lines = not content or content.endswith(b"\n")
        broken = bool(content) and bool(read_journal(folder / f"full-{number}").broken)
        wrong.append(
            "" if refused and whole_lines and not broken else "half a line is left" if refused else "no error"
        )
    signal.signal(signal.SIGXFSZ, before)
    return wrong


def folder_renamed(folder: Path, count: int, stream: random.Random) -> list[str]:
    """Return what went wrong in so many runs whose folder was renamed between any two entries."""
    wrong = []
    for number in range(count):
        old, new = folder / f"old-{number}", folder / f"new-{number}"
        writer, at = JournalWriter(old), stream.randint(1, 3 * CHECKS)
        for position, entry in enumerate(entries()):
            if position == at:
                old.rename(new)
            writer.write(entry)
        writer.close()
        wrong.append("" if run_state(read_journal(new)).whole and not old.exists() else "entries are lost")
    return wrong


_WRITES = """
import sys
sys.path.insert(0, sys.argv[2])
from pathlib import Path
from tests.bench.bench_storage import entries
from hilseq.journal.writer import JournalWriter
writer = JournalWriter(Path(sys.argv[1]))
for entry in entries():
    writer.write(entry)
    print(writer.lines, flush=True)
    sys.stdin.readline()
"""


def writer_killed(folder: Path, count: int, stream: random.Random) -> list[str]:
    """Return what went wrong in so many runs that were stopped, or not, and then killed between any two entries."""
    wrong = []
    for number in range(count):
        run = folder / f"killed-{number}"
        line = [sys.executable, "-P", "-c", _WRITES, str(run), str(Path(__file__).parents[2])]
        child = subprocess.Popen(line, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        assert child.stdin is not None
        assert child.stdout is not None
        lines = 0
        for _ in range(stream.randint(1, 3 * CHECKS)):
            lines = int(child.stdout.readline())
            child.stdin.write("\n")
            child.stdin.flush()
        if stream.random() < 0.5:
            child.send_signal(signal.SIGSTOP)
        child.kill()
        child.wait()
        with suppress(BrokenPipeError):
            child.stdin.close()
        child.stdout.close()
        journal = read_journal(run)
        wrong.append("" if len(journal.entries) >= lines and not journal.broken else "entries are lost")
    return wrong


FAULTS = (power_lost, disk_full, folder_renamed, writer_killed)


def main() -> int:
    """Run the campaign; print a line for each kind of fault."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    stream = random.Random(int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    failed = 0
    for fault in FAULTS:
        with tempfile.TemporaryDirectory(prefix="hilseq-storage-") as name:
            times = min(count, 50) if fault is writer_killed else count
            wrong = fault(Path(name), times, stream)
        bad = [words for words in wrong if words]
        failed += len(bad)
        said = f": {', '.join(sorted(set(bad)))}" if bad else ""
        print(f"{fault.__name__.replace('_', ' '):16} {len(wrong):6} times, {len(bad)} wrong{said}")
    return 1 if failed else 0


if __name__ == "__main__":
    raise SystemExit(main())
