"""One visit in words: a stand and the profiles of the units in its slots, checked against each other."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from hilseq.description.crosscheck import visit_problems
from hilseq.description.loading import DescriptionFile, read_profile, read_stand
from hilseq.description.profile import Profile
from hilseq.description.source_position import Place, SourcePosition
from hilseq.description.stand import Stand
from hilseq.errors import DescriptionError, Problem


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
