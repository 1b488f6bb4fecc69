"""The files of one visit: a stand and the profiles of the units in its slots, found, and checked against each other.

A profile may be named by its part number; the folders where it is looked for are those that the environment variable
HILSEQ_PROFILES names, one after the other as in PATH; without it, the stand file's own folder and the folder `units`
beside it.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import yaml

from hilseq.description.crosscheck import visit_problems
from hilseq.description.findings import Place, SourcePosition, nearest_word
from hilseq.description.loading import DescriptionFile, read_profile, read_stand
from hilseq.description.profile import Profile
from hilseq.description.stand import Stand
from hilseq.errors import DescriptionError, Problem, UsageError


@dataclass(frozen=True, slots=True)
class Visit:
    """A stand and, for every slot that is used, the profile of the unit in it; both are sound."""

    stand: Stand
    stand_path: Path
    profiles: Mapping[str, Profile]
    profile_paths: Mapping[str, Path]
    #: The profiles with the places where each value is written.
    documents: Mapping[str, SourcePosition]

    def written(self, slot: str, place: Place) -> str:
        """Return where a key of a slot's profile stands, as `FILE:LINE: key.key`, for a message."""
        path = self.profile_paths[slot]
        return f"{path}:{self.documents[slot].at(place).start.line}: {'.'.join(map(str, place))}"


def describe_visit(stand_path: Path, profile_paths: Mapping[str, Path]) -> Visit:
    """Return the visit that a stand file and one profile per slot describe.

    `profile_paths` maps slots of the stand to profiles; the same file may sit in several slots.
    Raises one DescriptionError with every problem of all files and between them.
    """
    stand = read_stand(stand_path)
    read = {path: read_profile(path) for path in dict.fromkeys(profile_paths.values())}
    profiles = {slot: read[path] for slot, path in profile_paths.items()}
    problems = list(stand.problems)
    for loaded in read.values():
        problems += loaded.problems
    problems += between(stand, profiles)
    if problems:
        raise DescriptionError(problems)
    return Visit(
        stand=stand.whole(),
        stand_path=stand_path,
        profiles={slot: loaded.whole() for slot, loaded in profiles.items()},
        profile_paths=dict(profile_paths),
        documents={slot: loaded.document for slot, loaded in profiles.items() if loaded.document},
    )


def between(stand: DescriptionFile[Stand], profiles: Mapping[str, DescriptionFile[Profile]]) -> list[Problem]:
    """Return the problems between a stand and its profiles; only files without faults are compared."""
    if stand.problems:
        return []
    sound = {slot: loaded for slot, loaded in profiles.items() if not loaded.problems}
    return visit_problems(stand, sound)


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

    What has the ending of a profile, or a folder that no part number has, is a file: one that is missing is never
    looked for elsewhere.
    """
    path = Path(text)
    if path.exists() or path.suffix in (".yaml", ".yml"):
        return path
    known = parts(stand)
    if os.sep in text and text not in known:
        return path
    fitting = [file for part, files in known.items() if part.casefold() == text.casefold() for file in files]
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        raise UsageError(
            f"part {text}: {fitting[0]} and {fitting[1]} both describe it; give one of them as --unit"
        )
    where = ", ".join(
        f"{folder}{'' if folder.is_dir() or not os.environ.get(FOLDERS) else ' (no such folder)'}"
        for folder in folders(stand)
    )
    near = nearest_word(text, known)
    hint = f"; did you mean {near!r}?" if near else ""
    raise UsageError(f"there is no file {text}, and no profile of a part {text} in {where} ({FOLDERS}){hint}")


def _files(places: Sequence[Path]) -> Iterator[Path]:
    for folder in places:
        if folder.is_dir():
            yield from sorted(path for path in folder.iterdir() if path.suffix in (".yaml", ".yml"))
