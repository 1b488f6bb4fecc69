"""Hold one slot of a stand against the unit in it: supply, ports, neighbours, link.

As with the wires, every finding lies in the stand file; `seen` is its origin in the profile.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from hilseq.description.checks.finding import Finding, Findings
from hilseq.description.drivers import find_driver
from hilseq.description.nearest import nearest_word
from hilseq.description.profile import Profile
from hilseq.description.source_position import Place
from hilseq.description.stand import Stand


def supply_serves_the_ratings(stand: Stand, slot: str, profile: Profile) -> Findings:
    """Require a supply that reaches what the unit needs and cannot exceed what it stands."""
    name = stand.slots[slot].supply
    supply, ratings, part = stand.supplies[name], profile.ratings, profile.part
    place: Place = ("supplies", name)
    for key, level in (("ceilings", supply.ceilings.voltage), ("overvoltage", supply.overvoltage)):
        if level is not None and level > ratings.absolute_maximum:
            what = "voltage ceiling" if key == "ceilings" else "over-voltage protection"
            yield Finding(
                (*place, "ceilings", "voltage") if key == "ceilings" else (*place, key),
                f"the {what} of supply {name}, {level:g} V, lies above the absolute maximum of {part}",
                f"at most {ratings.absolute_maximum:g} V",
                seen=("ratings", "absolute-maximum"),
            )
    if supply.ceilings.voltage < ratings.supply_range.high:
        yield Finding(
            (*place, "ceilings", "voltage"),
            f"the voltage ceiling of supply {name}, {supply.ceilings.voltage:g} V, does not reach "
            f"the supply range of {part}",
            f"at least {ratings.supply_range.high:g} V",
            seen=("ratings", "supply-range"),
        )
    if supply.ceilings.current < ratings.current_limit:
        yield Finding(
            (*place, "ceilings", "current"),
            f"the current ceiling of supply {name}, {supply.ceilings.current:g} A, does not reach "
            f"the current limit of {part}",
            f"at least {ratings.current_limit:g} A",
            seen=("ratings", "current-limit"),
        )


def ports_are_wired(stand: Stand, slot: str, profile: Profile) -> Findings:
    """Each port of the unit is wired in the slot, and each wired port is one of the unit."""
    wired, part = stand.slots[slot].ports, profile.part
    for name, port in profile.ports.items():
        if name not in wired:
            yield Finding(
                ("slots", slot, "ports"),
                f"{name} of {part} is not wired in slot {slot}",
                f"the key {name!r} with a resource",
                nearest_word(name, [known for known in wired if known not in profile.ports]),
                at_key=True,
                seen=("ports", name),
            )
        elif port.partner == "modbus tcp" and not re.fullmatch(r"\S+:\d+", wired[name].resource):
            yield Finding(
                ("slots", slot, "ports", name, "resource"),
                f"{name} of {part} is a network port, but {wired[name].resource[:50]!r} is no address",
                "HOST:PORT such as 192.0.2.30:502",
                seen=("ports", name, "partner"),
            )
    for name in wired:
        if name not in profile.ports:
            yield Finding(
                ("slots", slot, "ports", name),
                f"{part} has no {name!r}",
                f"one of {', '.join(profile.ports)}" if profile.ports else "no ports in this slot",
                nearest_word(name, [known for known in profile.ports if known not in wired]),
                at_key=True,
                seen=("ports",),
            )


def neighbours_are_known(stand: Stand, slot: str, profile: Profile) -> Findings:
    """Each neighbour sits in a rack position of the unit and is a module that the unit can report."""
    modules, positions = profile.identity.modules, profile.rack_positions
    for position, module in stand.slots[slot].neighbours.items():
        place = ("slots", slot, "neighbours", position)
        if not 1 <= position <= positions:
            expected = f"a position from 1 to {positions}" if positions else "no neighbours"
            wrong = f"{profile.part} has no rack position {position}"
            yield Finding(place, wrong, expected, at_key=True, seen=("rack-positions",))
        if modules is not None and module not in modules.types:
            yield Finding(
                place,
                f"{profile.part} knows no module {module[:40]!r}",
                f"one of {', '.join(modules.types)}",
                nearest_word(module, modules.types),
                seen=("identity", "modules", "types"),
            )


def link_driver_agrees(stand: Stand, slot: str, profile: Profile) -> Findings:
    """Require what the driver of the unit's link requires of unit and stand together."""
    yield from find_driver("link", stand.slots[slot].link.driver).visit_findings(stand, slot, profile)


def supplies_are_not_shared(stand: Stand, slots: Iterable[str]) -> Findings:
    """Require an output of its own for each unit of a visit.

    Two units on one output could not be told apart by their current, one could not be switched off without
    the other, and a current limit that lets both run lets one burn.
    """
    feeds: dict[str, str] = {}
    for slot in slots:
        supply = stand.slots[slot].supply
        if supply in feeds:
            yield Finding(
                ("slots", slot, "supply"),
                f"slots {feeds[supply]} and {slot} hang on one output, supply {supply}",
                "an output of its own for each unit of a visit; else test them one after the other",
            )
        feeds.setdefault(supply, slot)
