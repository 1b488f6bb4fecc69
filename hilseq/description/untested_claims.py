"""What a profile claims and a stand does not measure: told before a visit and with its verdict.

A stand of logic channels alone is of use, so this is no fault of it; but nobody may take `ship` for a word
about what was never measured.
"""

from __future__ import annotations

from collections.abc import Iterator

from hilseq.description.checks.judging import at_terminal
from hilseq.description.profile import Profile
from hilseq.description.stand import Stand


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
