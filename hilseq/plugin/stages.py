"""The full set: which stages of the job a profile calls for, and which checks apply to it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from hilseq.description.profile import Profile
from hilseq.description.stand import Stand
from hilseq.plugin.markers import stage_of

#: Begins a section of the stand file, in the marker `needs`.
ON_STAND = "stand."
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
    needed = [str(section) for marker in item.iter_markers("needs") for section in marker.args]
    return all(_has_needed(item, section, profile, stand) for section in needed)


def _has_needed(item: pytest.Item, section: str, profile: Profile, stand: Stand) -> bool:
    on_stand = section.startswith(ON_STAND)
    try:
        return has_section(stand if on_stand else profile, section.removeprefix(ON_STAND))
    except KeyError as error:
        kind = "a stand file" if on_stand else "a profile"
        words = f"{item.nodeid}: marker needs({section!r}): {kind} has no section {error.args[0]!r}"
        raise pytest.UsageError(words) from None
