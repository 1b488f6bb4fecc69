"""A journal that has lost its lines, as a power cut may leave a file: empty, or full of NUL bytes.

What was made of it before still lies beside it and looks as good as ever; nothing vouches for it any more.
"""

from __future__ import annotations

from pathlib import Path

from hilseq.journal.reader import Journal

#: What a run leaves beside its journal, and never before the first line of it.
_LEFT = ("summary.json", "report-*.html", "certificate-*.pdf", "label-*", "samples-*.bin")
_MOST_NAMES = 3


def left_by_a_run(folder: Path) -> list[str]:
    """Return the names of the files of a folder that only a run with a journal leaves, in order."""
    return sorted({file.name for pattern in _LEFT for file in folder.glob(pattern) if file.is_file()})


def lost(journal: Journal) -> str:
    """Return how a journal has lost all its lines, in words that name no folder, and what is left of its run.

    Empty when it holds a line, when one is wrong (`Journal.broken` says so), and when it may have just begun.
    """
    if journal.entries or journal.broken:
        return ""
    left = left_by_a_run(journal.path.parent)
    if _holds_nul(journal.path):
        words = (
            f"{journal.path.name} holds NUL bytes where its first line was: its disk or file system lost it"
        )
    elif left and journal.torn:
        words = f"{journal.path.name} was cut within its first line"
    elif left:
        words = f"{journal.path.name} is empty, and was not: it was overwritten, or a power cut took it"
    else:
        return ""
    if left:
        more = f" and {len(left) - _MOST_NAMES} more" if len(left) > _MOST_NAMES else ""
        words += f"; nothing vouches for {', '.join(left[:_MOST_NAMES])}{more} beside it any more"
    return f"{words}. Bring back a copy of the journal, or test the unit again"


def _holds_nul(path: Path) -> bool:
    """Tell whether a file without a newline holds a NUL byte, which no writer puts there."""
    with path.open("rb") as file:
        while block := file.read(1 << 20):
            if b"\0" in block:
                return True
    return False
