"""Profiles by part number: which file of which folder describes a part.

The folders are those that the environment variable HILSEQ_PROFILES names, one after the other as in PATH; without
it, the stand file's own folder and the folder `units` beside it.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path

import yaml

from hilseq.description.nearest import nearest_word
from hilseq.errors import UsageError

FOLDERS = "HILSEQ_PROFILES"
_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


def folders(stand: Path) -> list[Path]:
    """Return the folders in which profiles are looked for."""
    named = os.environ.get(FOLDERS, "").strip()
    if named:
        return [Path(text).expanduser() for text in named.split(os.pathsep) if text]
    return [stand.parent, stand.parent / "units"]


def parts(stand: Path) -> dict[str, list[Path]]:
    """Return part number -> its profiles; a file that is none, or cannot be read, is passed over."""
    found: dict[str, list[Path]] = {}
    for path in _files(folders(stand)):
        try:
            content = yaml.load(path.read_text(encoding="utf-8"), Loader=_LOADER)  # noqa: S506 - both are safe
        except (OSError, ValueError, yaml.YAMLError):
            continue
        if isinstance(content, dict) and isinstance(content.get("part"), str | int):
            found.setdefault(str(content["part"]), []).append(path)
    return found


def profile_file(text: str, stand: Path) -> Path:
    """Return the profile that is meant: a file, or the part number of one. Raises UsageError.

    A part number has no folder and no ending of a file, so a file that is missing is never looked for elsewhere.
    """
    path = Path(text)
    if path.exists() or path.suffix in (".yaml", ".yml") or os.sep in text:
        return path
    known = parts(stand)
    fitting = [file for part, files in known.items() if part.casefold() == text.casefold() for file in files]
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        raise UsageError(
            f"part {text}: {fitting[0]} and {fitting[1]} both describe it; give one of them as --unit"
        )
    where = ", ".join(str(folder) for folder in folders(stand))
    near = nearest_word(text, known)
    hint = f"; did you mean {near!r}?" if near else ""
    raise UsageError(f"there is no file {text}, and no profile of a part {text} in {where} ({FOLDERS}){hint}")


def _files(places: Sequence[Path]) -> Iterator[Path]:
    for folder in places:
        if folder.is_dir():
            yield from sorted(path for path in folder.iterdir() if path.suffix in (".yaml", ".yml"))
