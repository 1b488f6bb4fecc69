"""Fault table and configuration of a profile make sense by themselves."""

from __future__ import annotations

import re

from hilseq.description.checks.finding import Finding, Findings
from hilseq.description.checks.terminals import points_of
from hilseq.description.nearest import nearest_word
from hilseq.description.profile import Profile

_NUMBERED = re.compile(r"(.*?)\d+")


def fault_offsets_are_distinct(profile: Profile) -> Findings:
    """Code, place and time of a stored fault stand in different registers of a record."""
    faults = profile.faults
    if faults is None:
        return
    taken: dict[int, str] = {}
    offsets = {
        "code": [faults.code],
        "place": [] if faults.place is None else [faults.place],
        "time": [] if faults.time is None else [faults.time, faults.time + 1],
    }
    for name, registers in offsets.items():
        for register in registers:
            if register in taken:
                wrong = f"`{name}` and `{taken[register]}` share register {register} of a record"
                yield Finding(("faults", name), wrong, "an offset of its own for each")
                break
            taken[register] = name


def fault_codes_can_be_stored(profile: Profile) -> Findings:
    """Require that a code or a place is the number of one register; code 0 means an empty record."""
    faults = profile.faults
    if faults is None:
        return
    for code in faults.codes:
        if code == 0:
            place = ("faults", "codes", code)
            yield Finding(place, "the code 0 means an empty record", "a code from 1", at_key=True)
    for section, numbers in (("codes", faults.codes), ("places", faults.places)):
        for number in numbers:
            if not 0 <= number <= 65535:  # noqa: PLR2004 - the largest number of one register
                wrong = f"{number} does not fit one register"
                yield Finding(("faults", section, number), wrong, "a number from 0 to 65535", at_key=True)


def fault_places_exist(profile: Profile) -> Findings:
    """Require that a place which is called like the points or ports of the unit is one of them."""
    faults = profile.faults
    if faults is None:
        return
    if faults.places and faults.place is None:
        wrong = "places have names, but `place` says that a record holds none"
        yield Finding(("faults", "places"), wrong, "an offset in `place`, or no `places`", at_key=True)
    known = [*points_of(profile), *profile.ports]
    known += [f"neighbour {number}" for number in range(1, profile.rack_positions + 1)]
    series = {match[1] for match in map(_NUMBERED.fullmatch, known) if match}
    for number, name in faults.places.items():
        match = _NUMBERED.fullmatch(name)
        if name not in known and match and match[1] in series:
            yield Finding(
                ("faults", "places", number),
                f"the unit has no {name!r}",
                "the name of a point, a port or a neighbour as in this profile",
                nearest_word(name, known),
                absent=_place_of(name),
            )


def _place_of(name: str) -> tuple[str, ...] | None:
    return ("ports", name) if name.startswith("port") else None
