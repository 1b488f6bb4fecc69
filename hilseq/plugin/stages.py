"""The full set: which stages a profile calls for, which checks apply to it, and which places they may name.

A stage and a place may be one's own: only what is written almost as a known one is refused.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import pytest

from hilseq.description.findings import SLIP, SourcePosition, nearest_word
from hilseq.description.profile import PLACES, Profile
from hilseq.description.stages import SOAK, STAGES, nearest_stage
from hilseq.description.stand import Stand
from hilseq.errors import DescriptionError, Problem
from hilseq.hooks import Stage
from hilseq.plugin.markers import slip, stage_of

#: Begins a section of the stand file, in the marker `needs`.
ON_STAND = "stand."
_NUMBER = re.compile(r"\d+")


def required(profile: Profile, added: Sequence[Stage]) -> list[str]:
    """Return the stages that a `ship` needs, in the order of a visit, those of extensions and of the profile last."""
    stages = [stage for stage, calls_for in STAGES.items() if calls_for(profile)]
    stages += [stage.name for stage in added if stage.required(profile)]
    return list(dict.fromkeys([*stages, *profile.required_stages]))


def check_name(item: pytest.Item, added: Sequence[Stage]) -> None:
    """Refuse a stage that is written almost as a known one: that one would count as not performed.

    A stage of one's own has a name of its own, and a file without the marker is one. Raises DescriptionError.
    """
    stage = stage_of(item)
    known = [*STAGES, *(each.name for each in added)]
    if stage in known or item.get_closest_marker("stage") is None:
        return
    near = nearest_stage(stage, known)
    if near:
        raise slip(item, "stage", f"there is no stage {stage!r}", nearest=near)


def check_required(
    profile: Profile, document: SourcePosition, path: Path, added: Sequence[Stage], of_checks: Iterable[str]
) -> None:
    """Refuse a required stage that is written almost as one there is. Raises DescriptionError."""
    known = {*STAGES, *(each.name for each in added), *of_checks}
    problems = []
    for number, stage in enumerate(profile.required_stages):
        near = "" if stage in known else nearest_stage(stage, sorted(known))
        if near:
            mark = document.at(("required-stages", number)).mark
            problems.append(Problem(path, *mark, f"there is no stage {stage!r}", nearest=near))
    if problems:
        raise DescriptionError(problems)


def asked_for(item: pytest.Item, *, soak: bool) -> bool:
    """Return whether the check runs in this visit: a soak takes days, so only when it is asked for."""
    return soak or stage_of(item) != SOAK


def has_section(described: Profile | Stand, section: str) -> bool:
    """Return whether a description has the section (`faults`, `identity.modules`, `points.inputs`).

    Raises KeyError with the name that no such description can have.
    """
    value: Any = described
    for name in section.split("."):
        attribute = name.replace("-", "_")
        if not hasattr(value, attribute):
            raise KeyError(name)
        value = getattr(value, attribute)
        if value is False or (not value and value != 0):
            return False
    return True


def applies(item: pytest.Item, profile: Profile, stand: Stand) -> bool:
    """Return whether the check concerns this type of unit, on this stand, at all. Raises DescriptionError."""
    needed = [str(sections) for marker in item.iter_markers("needs") for sections in marker.args]
    return all(
        any(_has_needed(item, section, profile, stand) for section in sections.split("|"))
        for sections in needed
    )


def _has_needed(item: pytest.Item, section: str, profile: Profile, stand: Stand) -> bool:
    on_stand = section.startswith(ON_STAND)
    try:
        return has_section(stand if on_stand else profile, section.removeprefix(ON_STAND))
    except KeyError as error:
        kind = "a stand file" if on_stand else "a profile"
        wrong = f"marker needs({section!r}): {kind} has no section {error.args[0]!r}"
        raise slip(item, "needs", wrong) from None


def stages_of(items: Iterable[pytest.Item]) -> list[str]:
    """Return the stages that checks name, once each."""
    return list(dict.fromkeys(stage_of(item) for item in items))


def places_of(profile: Profile, stand: Stand, stages: Iterable[str]) -> list[str]:
    """Return the places that are known: in the words of a profile, of its stand, and of the shipped checks."""
    points = profile.points
    named = (points.outputs, points.inputs, points.analog_inputs, points.analog_outputs, profile.ports)
    return [
        *PLACES,
        *(name for names in named for name in names),
        *(f"mode {mode}" for mode in profile.mode_list()),
        *stages,
        *stand.signals,
    ]


def check_place(item: pytest.Item, known: Sequence[str]) -> None:
    """Refuse a place that is written almost as a known one. Raises DescriptionError."""
    marker = item.get_closest_marker("place")
    if marker is None:
        return
    if len(marker.args) != 1 or not isinstance(marker.args[0], str):
        raise slip(item, "place", "marker place holds no name", "one name, such as place('supply')")
    place = marker.args[0]
    near = "" if place in known else nearest_word(place, known, SLIP) or _alike(place, known)
    if near:
        raise slip(item, "place", f"there is no place {place!r}", nearest=near)


def _alike(place: str, known: Sequence[str]) -> str:
    """Return the first known place that differs in its number alone (`q99` where there are `q01` to `q16`), or none."""
    shape = _NUMBER.sub("#", place)
    return next((name for name in known if "#" in shape and _NUMBER.sub("#", name) == shape), "")
