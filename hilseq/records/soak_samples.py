"""From the sample file of a soak to its minutes: how many samples, least, mean and greatest, per signal."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from hilseq.errors import UsageError
from hilseq.journal import kinds
from hilseq.journal.reader import Journal
from hilseq.journal.samples import prefix_hash, read_samples
from hilseq.reports.buckets import gather

#: (minute since the soak's start, signal, number of samples, least, mean, greatest value)
Rollup = tuple[int, str, int, float, float, float]
_MINUTE = 60.0


def rollups_in(journal: Journal) -> tuple[list[Rollup], str]:
    """Return the minutes of every soak of a run, and what is wrong with its sample files, or an empty text.

    Only samples that the journal has sealed count, and only where the seal still fits: a file that was
    changed afterwards gives nothing. A file that is not there is no fault: not every copy of a run has it.
    """
    rows: list[Rollup] = []
    wrong = []
    zeros = {entry["slot"]: float(entry["zero"]) for entry in reversed(journal.of_kind(kinds.SOAK_STARTED))}
    seals = {entry["slot"]: entry for entry in journal.of_kind(kinds.SAMPLES_SEALED)}
    many = len(journal.entries[0]["units"]) > 1
    for slot, seal in seals.items():
        file = journal.path.parent / Path(str(seal["file"])).name
        if slot not in zeros or not file.is_file():
            continue
        try:
            sound = prefix_hash(file, int(seal["count"])) == seal["sha256"]
        except (UsageError, ValueError, KeyError, TypeError):
            sound = False
        if sound:
            rows += _minutes(file, int(seal["count"]), zeros[slot], f"{slot}: " if many else "")
        else:
            wrong.append(f"the samples in {file.name} do not fit the journal's seal: they were left out")
    return rows, "; ".join(wrong)


def _minutes(file: Path, count: int, zero: float, prefix: str) -> Iterator[Rollup]:
    samples = read_samples(file)
    times = samples.times[:count] - zero
    if not times.size or times[-1] < 0:
        return
    minutes = int(times[-1] // _MINUTE) + 1
    for number, column in enumerate(samples.columns):
        buckets = gather(times, samples.values[:count, number], (0.0, minutes * _MINUTE), minutes)
        rolled = zip(
            buckets.count.tolist(),
            buckets.low.tolist(),
            buckets.mean.tolist(),
            buckets.high.tolist(),
            strict=True,
        )
        for minute, (taken, low, mean, high) in enumerate(rolled):
            if taken:
                yield minute, f"{prefix}{column}", int(taken), low, mean, high
