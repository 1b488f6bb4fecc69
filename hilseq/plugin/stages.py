"""The full set: which stages of the job a profile calls for, and which checks apply to it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from hilseq.description.profile import Profile
from hilseq.plugin.markers import stage_of

#: The stage that runs only when it is asked for.
SOAK = "soak"
#: Stage -> whether this profile calls for it. The order is that of a visit.
STAGES: dict[str, Callable[[Profile], bool]] = {
    "power-on": lambda _: True,
    "identity": lambda _: True,
    "stored faults": lambda profile: profile.faults is not None,
    "configuration": lambda profile: profile.configuration is not None,
    "modes": lambda _: True,
    "outputs": lambda profile: bool(profile.points.outputs),
    "inputs": lambda profile: bool(profile.points.inputs),
    "ports": lambda profile: bool(profile.ports),
    SOAK: lambda profile: profile.soak is not None and profile.soak.required,
}


def required(profile: Profile) -> list[str]:
    """Return the stages that a `ship` needs, in the order of a visit."""
    return [stage for stage, calls_for in STAGES.items() if calls_for(profile)]


def asked_for(item: pytest.Item, *, soak: bool) -> bool:
    """Tell whether the check runs in this visit: a soak takes days, so only when it is asked for."""
    return soak or stage_of(item) != SOAK


def has_section(profile: Profile, section: str) -> bool:
    """Tell whether the profile has the section (`faults`, `identity.modules`, `points.inputs`)."""
    value: Any = profile
    for name in section.replace("-", "_").split("."):
        if not hasattr(value, name):
            raise pytest.UsageError(f"marker needs({section!r}): a profile has no section {name!r}")
        value = getattr(value, name)
        if value is False or (not value and value != 0):
            return False
    return True


def applies(item: pytest.Item, profile: Profile) -> bool:
    """Tell whether the check concerns this type of unit at all."""
    return all(
        has_section(profile, str(section)) for marker in item.iter_markers("needs") for section in marker.args
    )
