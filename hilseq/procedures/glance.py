"""A short look at all of a unit that has just started: what depends on how it came up is seen after a start, or never.

Most of what a visit measures it measures at one or two starts of the unit. A fault that is there after one start in ten
shows only when everything is looked at after each of many starts, if only briefly: what the unit reports about itself,
what it draws, what it keeps, and each point and port once on and once off.
"""

from __future__ import annotations

from collections.abc import Callable

from hilseq.description.profile import Mode
from hilseq.errors import UnitFault
from hilseq.procedures import identity, margins
from hilseq.procedures.unit import Unit

#: Short frames of which one must come back: a port within its claim may lose some.
_FRAMES = 4


def lost_since(unit: Unit) -> dict[str, str]:
    """Return what is wrong now, by place and in words, of what was right after an earlier start of this visit.

    It has been wrong in two looks, so that no single one decides. The unit is idle afterwards.
    """
    right = unit.baseline.right
    seen = _look(unit)
    if any(words and place in right for place, words in seen.items()):
        again = _look(unit)
        seen = {place: words if again.get(place) else "" for place, words in seen.items()}
    lost = {place: words for place, words in seen.items() if words and place in right}
    right |= {place for place, words in seen.items() if not words}
    return lost


def _look(unit: Unit) -> dict[str, str]:
    """Return what was looked at, by place: in words what is wrong there, or nothing."""
    found = _of_itself(unit)
    try:
        if Mode.LIVE in unit.profile.mode_list():
            unit.modes.move_to(Mode.LIVE)
        found |= _points(unit)
    except UnitFault as fault:
        found |= dict.fromkeys(fault.places or ("modes",), str(fault))
    finally:
        unit.return_to_idle()
    return found


def _of_itself(unit: Unit) -> dict[str, str]:
    """Return what is wrong with what a unit reports about itself, keeps and draws."""
    known, found = unit.profile.identity, dict[str, str]()
    if known.device_identification:
        found["identity"] = _wrong(lambda: identity.assert_names(unit))
    if known.serial_number is not None:
        found["identity"] = found.get("identity") or _wrong(lambda: identity.assert_serial_number(unit))
    found |= identity.neighbours(unit)
    if unit.baseline.configured:
        found["configuration"] = _wrong(unit.configuration.compare)
    drawn = unit.supply.current()
    beyond = -unit.limits.idle_current.margin(drawn.value) > drawn.expanded_uncertainty
    found["supply"] = f"it draws {1e3 * drawn.value:.4g} mA" if beyond else ""
    return found


def _wrong(look: Callable[[], object]) -> str:
    try:
        look()
    except (UnitFault, AssertionError) as fault:
        return str(fault)
    return ""


def _points(unit: Unit) -> dict[str, str]:
    """Return which points and ports do not do now what they are driven to."""
    live = Mode.LIVE in unit.profile.mode_list()
    names = [*unit.inputs.names, *unit.analog.names, *unit.ports.names]
    right = margins.right_points(unit, lambda port: _carries(unit, port))
    if live and unit.outputs.names:
        names += unit.outputs.names
        right |= margins.followers(unit)
    return {name: "" if name in right else f"{name} is not right" for name in names}


def _carries(unit: Unit, port: str) -> None:
    """Raise UnitFault when none of a few short frames comes back over a port."""
    for _ in range(_FRAMES - 1):
        if not _wrong(lambda: unit.ports.carries_one(port)):
            return
    unit.ports.carries_one(port)
