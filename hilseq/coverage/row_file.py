"""The file of a campaign's finished rows: kept as they come, taken up again after any interruption.

Its first line says which campaign the rows are of: the options, the version of hilseq, and the contents of
every file that the visits depend on. Rows of other limits, or of other sequences, would prove nothing.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import hilseq
from hilseq.errors import UsageError

_OWN = "hilseq coverage"
#: What the table is made of.
_GOOD = frozenset({"number", "disposition", "good"})
_DEFECT = frozenset({"number", "disposition", "defect", "side", "beyond_limits", "detected", "located"}) | {
    "wrongly_blamed"
}


def campaign_of(options: Mapping[str, Any], files: Iterable[Path]) -> dict[str, Any]:
    """Return what names a campaign: its options, and the contents of `files` and of the folders among them.

    Raises UsageError when one of them cannot be read.
    """
    digest = hashlib.sha256()
    for given in files:
        try:
            for file in sorted(given.rglob("*.py")) if given.is_dir() else [given]:
                digest.update(file.name.encode() + b"\0" + hashlib.sha256(file.read_bytes()).digest())
        except OSError as error:
            raise UsageError(f"{given} cannot be read: {error.strerror or error}") from None
    return {_OWN: hilseq.__version__, **options, "contents": digest.hexdigest()}


class RowFile:
    """The rows finished so far, one JSON line each, behind the line that names their campaign.

    Raises UsageError, and leaves the file as it is, when it holds another campaign or something else.
    """

    def __init__(self, path: Path, campaign: Mapping[str, Any]) -> None:
        self._path = path
        self.rows: list[dict[str, Any]] = []
        try:
            kept = path.read_bytes() if path.exists() else b""
            path.parent.mkdir(parents=True, exist_ok=True)
            # A line without an end was being written when the campaign was interrupted.
            whole = kept[: kept.rfind(b"\n") + 1]
            if whole:
                self.rows = self._read(whole, campaign)
                if whole != kept:
                    path.write_bytes(whole)
            elif kept:
                raise self._strange(1)
            else:
                path.write_text(json.dumps(campaign) + "\n", encoding="utf-8")
        except OSError as error:
            raise UsageError(f"{path}: {error.strerror or error}; give another --out") from None

    def _read(self, whole: bytes, campaign: Mapping[str, Any]) -> list[dict[str, Any]]:
        lines: list[dict[str, Any]] = []
        for number, line in enumerate(whole.splitlines(), 1):
            try:
                entry = json.loads(line)
            except ValueError:
                raise self._strange(number) from None
            wanted = (
                {_OWN} if number == 1 else _GOOD if isinstance(entry, dict) and "good" in entry else _DEFECT
            )
            if not isinstance(entry, dict) or not wanted <= entry.keys():
                raise self._strange(number)
            lines.append(entry)
        head, *rows = lines
        others = [key for key in campaign if head.get(key) != campaign[key]]
        if others:
            raise UsageError(
                f"{self._path} holds the rows of another campaign ({_told(others)}); give another --out, or remove it"
            )
        return rows

    def _strange(self, line: int) -> UsageError:
        return UsageError(
            f"{self._path}, line {line}: no row of a campaign; the file is left as it is: give another --out"
        )

    def add(self, row: dict[str, Any]) -> None:
        """Keep a row."""
        self.rows.append(row)
        with self._path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(row) + "\n")


def _told(keys: Iterable[str]) -> str:
    words = {_OWN: "another version of hilseq", "contents": "stand file, profile or sequences have changed"}
    return ", ".join(words.get(key, f"other {key}") for key in keys)
