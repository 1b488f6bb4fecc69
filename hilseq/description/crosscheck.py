"""A stand held against the profiles of the units it is to test: what does not fit, and what it cannot measure.

A stand of logic channels alone is of use, so a claim that nobody measures is no fault; but nobody may take `ship`
for a word about it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import partial

from hilseq.description.checks import judging, unit_in_slot
from hilseq.description.checks.finding import Finding, collect, problems_of
from hilseq.description.checks.judging import at_terminal
from hilseq.description.loading import DescriptionFile
from hilseq.description.nearest import nearest_word
from hilseq.description.profile import Profile
from hilseq.description.stand import Stand
from hilseq.errors import Problem

_CHECKS = (
    unit_in_slot.outputs_are_sensed,
    unit_in_slot.inputs_are_driven,
    unit_in_slot.analog_points_are_wired,
    unit_in_slot.lamps_are_seen,
    unit_in_slot.switch_can_be_moved,
    unit_in_slot.supply_serves_the_ratings,
    unit_in_slot.ports_are_wired,
    unit_in_slot.neighbours_are_known,
    unit_in_slot.link_driver_agrees,
    judging.limits_can_be_judged,
)


def visit_problems(
    stand: DescriptionFile[Stand], profiles: Mapping[str, DescriptionFile[Profile]]
) -> list[Problem]:
    """Return every problem between a sound stand and the sound profiles in its slots.

    All lie in the stand file, because the profile tells what the unit is; each names the line of the
    profile that it goes back to.
    """
    if stand.model is None or stand.document is None:
        return []
    used = [slot for slot in profiles if slot in stand.model.slots]
    found: list[Finding] = collect(partial(unit_in_slot.supplies_are_not_shared, stand.model, used))
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


def visit_warnings(
    stand: DescriptionFile[Stand], slot: str, profile: DescriptionFile[Profile]
) -> list[Problem]:
    """Return what this stand will judge badly of this unit, where the two fit each other."""
    if stand.model is None or stand.document is None or profile.model is None:
        return []
    found = collect(partial(judging.limits_can_be_judged, stand.model, slot, profile.model))
    warnings = [_with_origin(finding, profile) for finding in found if finding.warning]
    return problems_of(warnings, stand.document, stand.path, partial=False)


def _with_origin(finding: Finding, profile: DescriptionFile[Profile]) -> Finding:
    """Say in the finding which line of the profile it goes back to."""
    if finding.seen is None or profile.document is None:
        return finding
    line = profile.document.at(finding.seen).start.line
    return finding._replace(
        wrong=f"{finding.wrong} ({profile.path}:{line})", topic=finding.topic or finding.wrong
    )


def untested_claims(stand: Stand, slot: str, profile: Profile) -> list[str]:
    """Return the claims of a profile that no check can measure in a slot, such as `leakage of q01 to q16`."""
    claims: dict[str, list[str]] = {}
    for claim, place in _unseen(stand, slot, profile):
        claims.setdefault(claim, []).append(place)
    return [f"{claim} of {_listed(places)}" for claim, places in claims.items()]


def _unseen(stand: Stand, slot: str, profile: Profile) -> Iterator[tuple[str, str]]:
    points = profile.points
    for name, point in points.outputs.items():
        found = at_terminal(stand, slot, name, "voltage")
        if point.voltage_drop is not None and found is None:
            yield "voltage drop", name
        if point.leakage is not None and (found is None or found[1].load is None):
            yield "leakage", name
    for name, channel in (*points.analog_inputs.items(), *points.analog_outputs.items()):
        if at_terminal(stand, slot, name, channel.terminal_dimension) is None:
            yield "accuracy", name
    wired = stand.slots[slot].ports
    for name, port in profile.ports.items():
        if name not in wired:
            yield "traffic", name
        elif port.clock_error is not None and wired[name].speed_accuracy is None:
            yield "clock error", name


def _listed(places: list[str]) -> str:
    """Return all of a few places, and the ends of a long row."""
    return ", ".join(places) if len(places) < 4 else f"{places[0]} to {places[-1]} ({len(places)})"  # noqa: PLR2004
