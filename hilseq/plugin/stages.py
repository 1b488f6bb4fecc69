"""The full set: which stages of the job a profile calls for, and which checks apply to it."""

from __future__ import annotations

import difflib
from collections.abc import Callable
from typing import Any

import pytest

from hilseq.description.profile import Profile
from hilseq.description.stand import Stand
from hilseq.plugin.markers import stage_of

#: Begins a section of the stand file, in the marker `needs`.
ON_STAND = "stand."
#: From this likeness on a stage's name is a slip of the pen: a letter in ten.
_A_SLIP = 0.9
#: The stage that runs only when it is asked for.
SOAK = "soak"
#: Stage -> whether this profile calls for it. The order is that of a visit.
STAGES: dict[str, Callable[[Profile], bool]] = {
    "set-up": lambda _: True,
    "power-on": lambda _: True,
    "identity": lambda profile: tells_who_it_is(profile),  # noqa: PLW0108 - defined below
    "stored faults": lambda profile: profile.faults is not None,
    "configuration": lambda profile: profile.configuration is not None,
    "clock and memory": lambda profile: remembers(profile),  # noqa: PLW0108 - defined below
    "modes": lambda _: True,
    "outputs": lambda profile: bool(profile.points.outputs),
    "inputs": lambda profile: bool(profile.points.inputs),
    "analog": lambda profile: bool(profile.points.analog_inputs or profile.points.analog_outputs),
    "ports": lambda profile: bool(profile.ports),
    "supply margins": lambda profile: profile.margins is not None,
    "power cycling": lambda profile: profile.cycling is not None,
    SOAK: lambda profile: profile.soak is not None and profile.soak.required,
}


def tells_who_it_is(profile: Profile) -> bool:
    """Tell whether the unit can be asked anything about what it is."""
    identity = profile.identity
    return identity.device_identification or bool(identity.serial_number or identity.modules)


def remembers(profile: Profile) -> bool:
    """Tell whether the profile describes anything that the unit must remember without supply."""
    clock = profile.clock is not None and profile.link.clock is not None
    return clock or profile.battery is not None or profile.configuration is not None


def required(profile: Profile) -> list[str]:
    """Return the stages that a `ship` needs, in the order of a visit."""
    return [stage for stage, calls_for in STAGES.items() if calls_for(profile)]


def check_name(item: pytest.Item) -> None:
    """Refuse a stage that is written almost as one of the job's: that one would count as not performed.

    A stage of one's own has a name of its own, and a file without the marker is one. Raises UsageError.
    """
    stage = stage_of(item)
    if stage in STAGES or item.get_closest_marker("stage") is None:
        return
    plain = {_plain(known): known for known in STAGES}
    close = difflib.get_close_matches(_plain(stage), plain, n=1, cutoff=_A_SLIP)
    if close:
        words = f"{item.nodeid}: there is no stage {stage!r}; did you mean {plain[close[0]]!r}?"
        raise pytest.UsageError(words)


def _plain(name: str) -> str:
    return "".join(letter for letter in name.lower() if letter.isalnum()).removesuffix("s")


def asked_for(item: pytest.Item, *, soak: bool) -> bool:
    """Tell whether the check runs in this visit: a soak takes days, so only when it is asked for."""
    return soak or stage_of(item) != SOAK


def has_section(described: Profile | Stand, section: str) -> bool:
    """Tell whether a description has the section (`faults`, `identity.modules`, `points.inputs`).

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
    """Tell whether the check concerns this type of unit, on this stand, at all."""
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
        words = f"{item.nodeid}: marker needs({section!r}): {kind} has no section {error.args[0]!r}"
        raise pytest.UsageError(words) from None
