"""Whether the sample files beside a journal are the ones that it has sealed.

A journal vouches for its own lines; of the samples of a soak it holds only a fingerprint. Who believes the one
asks here for the other.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from hilseq.errors import UsageError
from hilseq.journal import kinds
from hilseq.journal.reader import Journal
from hilseq.journal.samples import prefix_hash, read_samples


def sample_file(folder: Path, entry: Mapping[str, Any]) -> Path:
    """Return the sample file that an entry names: always one beside the journal, whatever it says."""
    return folder / Path(str(entry.get("file"))).name


def broken_seals(journal: Journal) -> dict[str, str]:
    """Return slot -> what is wrong with its sample file, in words that name the file without its folder.

    Slots whose file is what the journal has sealed are left out. What was sampled after the last seal, by a run
    that was cut off, nothing vouches for and nothing speaks against.
    """
    begun = {
        str(entry.get("slot")): entry for entry in journal.of_kind(kinds.SOAK_STARTED) if "file" in entry
    }
    seals = {str(entry.get("slot")): entry for entry in journal.of_kind(kinds.SAMPLES_SEALED)}
    ended = {str(entry.get("slot")) for entry in journal.of_kind(kinds.SOAK_ENDED)}
    found = {}
    for slot, entry in {**begun, **seals}.items():
        file = sample_file(journal.path.parent, entry)
        if why := _wrong(file, seals.get(slot), last=slot in ended):
            found[slot] = f"{file.name} {why}"
    return found


def _wrong(file: Path, seal: Mapping[str, Any] | None, *, last: bool) -> str:
    """Return what is wrong with a file, or an empty text; nothing may follow the `last` seal of a soak."""
    if not file.is_file():
        return "is not there, which holds the samples of this soak: it was moved away or deleted"
    try:
        return _compared(file, seal, last=last)
    except OSError as error:
        return f"cannot be read: {error.strerror or 'it fails'}"
    except (UsageError, ValueError, KeyError, TypeError, OverflowError):
        return "is no sample file of hilseq: it was damaged or replaced"


def _compared(file: Path, seal: Mapping[str, Any] | None, *, last: bool) -> str:
    if seal is None:
        read_samples(file)
        return ""
    count = int(seal["count"])
    if prefix_hash(file, count) != seal["sha256"]:
        left = len(read_samples(file).times)
        if left < count:
            return f"is damaged: only {left} of the {count} samples that the journal has sealed can be read"
        return "is not the one that the journal has sealed: it was changed, or belongs to another run"
    more = len(read_samples(file).times) - count if last else 0
    return f"goes on after the last of the {count} samples that the soak took: it was changed" if more else ""
