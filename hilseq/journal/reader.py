"""Reading a journal, also one whose writer was killed in the middle of a line."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hilseq.errors import UsageError
from hilseq.journal.chain import GENESIS, BrokenLine, unseal
from hilseq.journal.writer import FILE_NAME


@dataclass(frozen=True, slots=True)
class Journal:
    """The entries of one run.

    `torn` counts the bytes of an unfinished last line (the writer was killed); `broken` tells what is
    wrong when the journal was changed afterwards, and is empty for a sound one: entries then end before
    the broken line.
    """

    path: Path
    entries: tuple[dict[str, Any], ...]
    chain: str
    torn: int = 0
    broken: str = ""

    def of_kind(self, *kinds: str) -> list[dict[str, Any]]:
        """Entries of the given kinds, in order."""
        return [entry for entry in self.entries if entry["kind"] in kinds]


def find_journal(run: Path) -> Path:
    """Return the journal of a run given as its folder or as the file. Raises UsageError."""
    path = run / FILE_NAME if run.is_dir() else run
    if not path.is_file():
        raise UsageError(f"{run} holds no {FILE_NAME}; give the folder that `hilseq run` named at its end")
    return path


def read_journal(run: Path) -> Journal:
    """Read a whole journal. Raises UsageError when there is none."""
    path = find_journal(run)
    entries: list[dict[str, Any]] = []
    chain, torn, broken = GENESIS, 0, ""
    with path.open("rb") as lines:
        for number, line in enumerate(lines):
            if not line.endswith(b"\n"):
                torn = len(line)
                break
            try:
                entry, chain = unseal(line, number, chain)
            except BrokenLine as error:
                broken = str(error)
                break
            entries.append(entry)
    return Journal(path, tuple(entries), chain, torn, broken)
