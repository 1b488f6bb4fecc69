"""Hold a stand against the profiles of the units it is to test, before anything is powered."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

from hilseq.description.checks import judging, slot_of_unit, wires_of_unit
from hilseq.description.checks.finding import Finding, collect, problems_of
from hilseq.description.loading import Loaded
from hilseq.description.nearest import nearest_word
from hilseq.description.profile import Profile
from hilseq.description.stand import Stand
from hilseq.errors import Problem

_CHECKS = (
    wires_of_unit.outputs_are_sensed,
    wires_of_unit.inputs_are_driven,
    wires_of_unit.analog_points_are_wired,
    wires_of_unit.lamps_are_seen,
    wires_of_unit.switch_can_be_moved,
    slot_of_unit.supply_serves_the_ratings,
    slot_of_unit.ports_are_wired,
    slot_of_unit.neighbours_are_known,
    slot_of_unit.link_driver_agrees,
    judging.limits_can_be_judged,
)


def visit_problems(stand: Loaded[Stand], profiles: Mapping[str, Loaded[Profile]]) -> list[Problem]:
    """Return every problem between a sound stand and the sound profiles in its slots.

    All lie in the stand file, because the profile tells what the unit is; each names the line of the
    profile that it goes back to.
    """
    if stand.model is None or stand.document is None:
        return []
    used = [slot for slot in profiles if slot in stand.model.slots]
    found: list[Finding] = collect(partial(slot_of_unit.supplies_are_not_shared, stand.model, used))
    for slot, profile in profiles.items():
        if slot not in stand.model.slots:
            slots = list(stand.model.slots)
            wrong = f"there is no slot {slot!r} on this stand"
            found.append(
                Finding(
                    ("slots",), wrong, f"one of {', '.join(slots)}", nearest_word(slot, slots), at_key=True
                )
            )
        elif profile.model is not None:
            checks = (partial(check, stand.model, slot, profile.model) for check in _CHECKS)
            found += [_with_origin(finding, profile) for finding in collect(*checks) if not finding.warning]
    return problems_of(found, stand.document, stand.path, partial=False)


def visit_warnings(stand: Loaded[Stand], slot: str, profile: Loaded[Profile]) -> list[Problem]:
    """Return what this stand will judge badly of this unit, where the two fit each other."""
    if stand.model is None or stand.document is None or profile.model is None:
        return []
    found = collect(partial(judging.limits_can_be_judged, stand.model, slot, profile.model))
    warnings = [_with_origin(finding, profile) for finding in found if finding.warning]
    return problems_of(warnings, stand.document, stand.path, partial=False)


def _with_origin(finding: Finding, profile: Loaded[Profile]) -> Finding:
    """Say in the finding which line of the profile it goes back to."""
    if finding.seen is None or profile.document is None:
        return finding
    line = profile.document.at(finding.seen).start.line
    return finding._replace(
        wrong=f"{finding.wrong} ({profile.path}:{line})", topic=finding.topic or finding.wrong
    )
