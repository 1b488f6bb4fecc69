"""Whether the sample files beside a journal are the ones that it has sealed.

A journal proves its own lines; of the samples of a soak it holds only a fingerprint. Who believes the one
asks here for the other.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from pathlib import Path

from hilseq.analysis.soak_samples import band
from hilseq.errors import UsageError
from hilseq.journal.reader import read_journal, run_state
from hilseq.journal.run_state import RunState, SoakState
from hilseq.journal.samples import MODE, prefix_hashes, read_samples
from hilseq.journal.signatures import read_signatures
from hilseq.journal.soak_entries import SamplesSealed
from hilseq.verdicts import CheckVerdict


def sample_file(folder: Path, soak: SoakState) -> Path:
    """Return the sample file that a soak names: always one beside the journal, whatever it says."""
    return folder / Path((soak.sealed or soak.started).file).name


def read_run(run: Path) -> RunState:
    """Return the state of a run given as its folder or its journal, with what is wrong with its sample files.

    Raises UsageError when there is no journal, ValueError when it does not tell a run.
    """
    journal = read_journal(run)
    return look_for_damage(run_state(journal), journal.path.parent)


def look_for_damage(state: RunState, folder: Path) -> RunState:
    """Note for every unit what is wrong with its sample file, and what the stand has signed; return the state.

    Reads those files whole.
    """
    broken = broken_seals(state, folder)
    state.signatures = read_signatures(folder)
    for unit in state.units:
        unit.damage = broken.get(unit.slot, "")
    return state


def broken_seals(state: RunState, folder: Path) -> dict[str, str]:
    """Return slot -> what is wrong with its sample file, in words that name the file without its folder.

    Slots whose file is what the journal has sealed are left out. What was sampled after the last seal, by a run
    that was cut off, nothing proves and nothing contradicts.
    """
    found = {}
    for unit in state.units:
        if unit.soak is None:
            continue
        file = sample_file(folder, unit.soak)
        if why := _wrong(file, unit.soak.seals, last=unit.soak.ended is not None):
            found[unit.slot] = f"{file.name} {why}"
    return found


def left_limits(state: RunState, folder: Path) -> Iterator[str]:
    """Yield the soaks that have passed although their samples left the limits, or the mode, that they had to keep.

    Raises UsageError, OSError.
    """
    for unit in state.units:
        soak, passed = unit.soak, {c.id for c in unit.checks if c.verdict is CheckVerdict.PASSED}
        if soak is None or soak.started.check not in passed:
            continue
        samples = read_samples(sample_file(folder, soak))
        seen = band(samples.column(MODE).astype("f8")) if MODE in samples.columns else None
        wanted = soak.started.modes.get(soak.started.mode)
        if seen is not None and wanted is not None and not seen.low == wanted == seen.high:
            yield f"the soak of slot {unit.slot} has passed, and its samples show another mode than {soak.started.mode}"
        for column in soak.started.columns:
            seen = band(samples.column(column.name).astype("f8")) if column.name in samples.columns else None
            low, high = (math.nan if limit is None else limit for limit in (column.low, column.high))
            if seen is not None and (seen.low < low - _rounding(low) or seen.high > high + _rounding(high)):
                yield f"the soak of slot {unit.slot} has passed, and its samples leave the limits of {column.name}"


def _rounding(limit: float) -> float:
    """Return what samples, which are kept in single precision, may be off at a limit."""
    return abs(limit) * 1e-6


def _wrong(file: Path, seals: Sequence[SamplesSealed], *, last: bool) -> str:
    """Return what is wrong with a file, or an empty text; nothing may follow the `last` seal of a soak."""
    if not file.is_file():
        return "is not there, which holds the samples of this soak: it was moved away or deleted"
    try:
        return _compared(file, seals, last=last)
    except OSError as error:
        return f"cannot be read: {error.strerror or 'it fails'}"
    except (UsageError, ValueError, KeyError, TypeError, OverflowError, RecursionError):
        return "is no sample file of hilseq: it was damaged or replaced"


def _compared(file: Path, seals: Sequence[SamplesSealed], *, last: bool) -> str:
    if not seals:
        read_samples(file)
        return ""
    count = seals[-1].count
    hashes = prefix_hashes(file, [seal.count for seal in seals])
    if hashes[-1] != seals[-1].sha256:
        left = len(read_samples(file).times)
        if left < count:
            return f"is damaged: only {left} of the {count} samples that the journal has sealed can be read"
        return "is not the one that the journal has sealed: it was changed, or belongs to another run"
    if hashes != [seal.sha256 for seal in seals]:
        return "is the one that was sealed last, and not the one that the journal has sealed before"
    more = len(read_samples(file).times) - count if last else 0
    return (
        f"continues after the last of the {count} samples that the soak took: it was changed" if more else ""
    )
