"""From the sample file of a soak to its minutes: how many samples, least, mean and greatest, per signal."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

from hilseq.journal import kinds
from hilseq.journal.reader import Journal
from hilseq.journal.samples import read_samples
from hilseq.journal.seals import sample_file
from hilseq.reports.buckets import gather

#: (minute since the soak's start, signal, number of samples, least, mean, greatest value)
Rollup = tuple[int, str, int, float, float, float]
_MINUTE = 60.0


def rollups_in(journal: Journal, wrong: Mapping[str, str]) -> list[Rollup]:
    """Return the minutes of every soak of a run; `wrong` is what is wrong with its sample files, by slot.

    Only samples that the journal has sealed count, and only where the seal still fits: a file that was
    changed afterwards gives nothing, and neither does one that this copy of the run does not have.
    """
    rows: list[Rollup] = []
    zeros = {entry["slot"]: float(entry["zero"]) for entry in reversed(journal.of_kind(kinds.SOAK_STARTED))}
    seals = {entry["slot"]: entry for entry in journal.of_kind(kinds.SAMPLES_SEALED)}
    many = len(journal.entries[0]["units"]) > 1
    for slot, seal in seals.items():
        if slot in zeros and slot not in wrong:
            file = sample_file(journal.path.parent, seal)
            rows += _minutes(file, int(seal["count"]), zeros[slot], f"{slot}: " if many else "")
    return rows


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
