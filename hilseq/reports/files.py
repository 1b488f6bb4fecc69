"""Files of a run: names that are safe on every file system, and writing one whole or not at all."""

from __future__ import annotations

import hashlib
import os
import string
import tempfile
from collections import Counter
from collections.abc import Iterable
from pathlib import Path

from hilseq.journal.run_state import RunState

#: What every file system and every mail program keeps as it is.
_KEPT = frozenset(string.ascii_letters + string.digits + "-._")
_LONGEST = 64
#: How the names of a run's own files begin: nobody else writes those.
OWN_NAMES = (
    "journal", "samples-", "signatures", "summary", "report-", "certificate", "repair-slip", "test-result", "label",
    "junit", "allure", "guard", ".",
)  # fmt: skip


def _mark(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:16]


def file_stem(serial: str) -> str:
    """Return the serial as part of a file name; one that had to be changed carries a mark of the original."""
    kept = "".join(character if character in _KEPT else "_" for character in serial)[:_LONGEST].strip(".")
    return kept if kept and kept == serial else f"{kept or 'unnamed'}~{_mark(serial)}"


def file_stems(units: Iterable[tuple[str, str]]) -> dict[str, str]:
    """Return slot -> stem for the (slot, serial) of a run, no two alike on any file system."""
    pairs = list(units)
    stems = {slot: file_stem(serial) for slot, serial in pairs}
    taken = Counter(stem.casefold() for stem in stems.values())
    return {
        slot: stem if taken[stem.casefold()] == 1 else f"{stem}~{_mark(f'{slot}/{serial}')}"
        for (slot, serial), stem in zip(pairs, stems.values(), strict=True)
    }


def write_file(path: Path, content: bytes) -> Path:
    """Write the file whole or not at all: a temporary file beside it, made durable, then renamed."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=f".{path.name[:40]}.", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(name).chmod(0o644)
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    return path


def stems_of(record: RunState) -> dict[str, str]:
    """Return slot -> stem of the names of a run's files."""
    return file_stems((unit.slot, unit.serial) for unit in record.units)


def report_names(record: RunState) -> dict[str, str]:
    """Return slot -> file name of the unit's page."""
    return {slot: f"report-{stem}.html" for slot, stem in stems_of(record).items()}
